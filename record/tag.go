package record

// Origin says where a tag came from.
type Origin string

// The origins of tags, in rising order of trust by default.
const (
	FromPlan     Origin = "plan"     // the position in the campaign's plan
	FromPath     Origin = "path"     // the path template of the configuration
	FromHeader   Origin = "header"   // `key: value` lines ahead of the log's table
	FromDetected Origin = "detected" // read from the bench
	FromHand     Origin = "hand"     // said by the reviewer

	// FromLater ranks below all: read from the bench as it was some time after the pass.
	FromLater Origin = "detected-later"
)

// Names of the tags that the project itself knows. Any other name is the reviewer's own.
const (
	TagProcessor  = "cpu"
	TagGraphics   = "gpu"
	TagGame       = "game"
	TagScene      = "scene"
	TagResolution = "resolution"
	TagPreset     = "preset"
	TagPass       = "pass" // ordinal of the pass in its cell, from 1; never a factor
	TagCampaign   = "campaign"
	TagDriver     = "driver"
	TagBoot       = "boot"    // which start of the machine the pass was recorded after; never a factor
	TagSession    = "session" // where the reviewer divides sessions by hand; never a factor
)

// CellFactors are the tags that make a cell where no campaign says otherwise.
var CellFactors = []string{TagProcessor, TagGraphics, TagGame, TagScene, TagResolution, TagPreset}

// Tag is a fact about a pass with its source.
type Tag struct {
	Value string `json:"value"`
	From  Origin `json:"from"`
}

// Tags maps a tag's name to the fact that won.
type Tags map[string]Tag

// Value returns the value of the named tag, or "".
func (t Tags) Value(name string) string { return t[name].Value }

// NamesCell reports whether the tags tell of which passes one is a repeat. Those without a
// game have nothing in common: taken for one cell they would be held against each other.
func (t Tags) NamesCell() bool { return t.Value(TagGame) != "" }

// NoCell is why nothing tells of which passes one is a repeat where its tags name no cell.
const NoCell = "the pass has no tag \"game\", so that nothing tells which passes repeat it"

// Claim is one source's word about one tag. All claims are kept; the most trusted
// becomes the [Tag], and claims that contradict it can be reported.
type Claim struct {
	Name   string `json:"name"`
	Value  string `json:"value"`
	From   Origin `json:"from"`
	Detail string `json:"detail,omitempty"` // for people: "header line 2", "path template 1", "graphics.0.name"
}

// Cell returns the values of the given factors; a factor the pass lacks is "".
func (t Tags) Cell(factors []string) map[string]string {
	c := make(map[string]string, len(factors))
	for _, f := range factors {
		c[f] = t[f].Value
	}
	return c
}
