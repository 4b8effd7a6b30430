package record

// Frames are the frame times of one pass in the order in which they were shown.
//
// Where Decimals is zero or more, every value of MS is the double nearest to a whole
// number of 10^-Decimals milliseconds (the log's own resolution), so that
// ticks = round(MS * 10^Decimals) and ticks / 10^Decimals give MS back bit for bit.
// Decimals is -1 where the values lie on no such grid.
type Frames struct {
	MS       []float64
	Decimals int
}

// TotalMS returns the sum of the frame times in ms with compensated summation
// (Neumaier 1974), which does not depend on the size of the log.
func (f Frames) TotalMS() float64 {
	var sum, comp float64
	for _, x := range f.MS {
		t := sum + x
		if abs(sum) >= abs(x) {
			comp += (sum - t) + x
		} else {
			comp += (x - t) + sum
		}
		sum = t
	}
	return sum + comp
}

func abs(x float64) float64 {
	if x < 0 {
		return -x
	}
	return x
}

// Layout says how a log was read. It is the "layout" object of `capctl measure --json`.
type Layout struct {
	Format      string `json:"format,omitempty"`      // "text" (default, omitted), "jsonl", "parquet"
	Compression string `json:"compression,omitempty"` // "gzip", "zstd"
	Encoding    string `json:"encoding,omitempty"`    // "utf-8" is omitted; "utf-16le", "utf-16be", "latin-1"
	Delimiter   string `json:"delimiter"`             // ",", ";", "\t", "|", " " (any white space), "" (one column)
	Decimal     string `json:"decimal"`               // "." or ","
	Header      bool   `json:"header"`
	// "duration": a column of frame times; "timestamp": differences of time stamps
	Source   string `json:"source"`
	Column   string `json:"column"`             // heading of the column used, or its position ("column 2")
	Unit     string `json:"unit"`               // "s", "ms", "us", "ns"
	Declared string `json:"declared,omitempty"` // name of the declared layout that was used
	Program  string `json:"program,omitempty"`  // the program whose rows were used, where rows of several are mixed
}

// Remark is something that the reader of a log noticed and what it did about it.
type Remark struct {
	Kind  string `json:"kind"`            // one of the Remark constants
	Line  int    `json:"line,omitempty"`  // first line concerned, from 1; 0 when it concerns the whole log
	Count int    `json:"count,omitempty"` // how many lines are concerned
	Text  string `json:"text"`
}

// Kinds of remarks.
const (
	RemarkCutOff     = "cut-off"     // the last line ends in the middle
	RemarkRestarted  = "restarted"   // the heading is repeated: the logger was started again
	RemarkLeftOut    = "left-out"    // rows without a usable frame time
	RemarkTrailer    = "trailer"     // summary lines after the table
	RemarkGap        = "gap"         // stamps jump further than the frame times say
	RemarkPrograms   = "programs"    // rows of several programs
	RemarkTimeBase   = "time-base"   // sum of the durations and span of the stamps disagree
	RemarkHeldOpen   = "held-open"   // read while a program still had the log open for writing
	RemarkZeroFrames = "zero-frames" // frames of no length
	RemarkNotKept    = "not-kept"    // the log's bytes were to be kept in the store and were not
	RemarkPath       = "path"        // no path template fits the log, or one fits in several ways
)

// Reading is everything that was read from one log.
type Reading struct {
	Layout  Layout            `json:"layout"`
	Frames  Frames            `json:"-"`
	Header  map[string]string `json:"header,omitempty"` // `key: value` lines ahead of the table
	Remarks []Remark          `json:"remarks,omitempty"`

	// SpanS is the time between the first and last stamp in seconds where the log has
	// both durations and stamps; 0 otherwise.
	SpanS float64 `json:"span_s,omitempty"`
	// EpochS is the wall-clock time of the first stamp in Unix seconds where the stamps
	// are plausibly wall-clock times; 0 otherwise.
	EpochS float64 `json:"epoch_s,omitempty"`
}
