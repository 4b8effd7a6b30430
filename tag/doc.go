// Package tag turns facts about a log into tags: what its path says, what stands in its
// header, what was detected, what the plan expected and what the reviewer said by hand.
//
// It is pure. Every source makes claims ([record.Claim]); [Resolve] lets the most trusted
// claim about each tag win and returns the others that contradict it. Nothing is guessed:
// a path that can be read two ways, a name that no alias knows or two aliases know, is
// returned as such.
package tag

import (
	"capd.example/internal/text"
	"capd.example/record"
)

// DefaultOrder is the rising order of trust where the configuration sets no other: the
// plan only says what should have run, the bench itself says what did, and the reviewer
// has the last word.
var DefaultOrder = []record.Origin{
	record.FromPlan, record.FromPath, record.FromHeader, record.FromDetected, record.FromHand,
}

// known lists the tags that need no mapping when a header names them.
var known = []string{
	record.TagProcessor, record.TagGraphics, record.TagGame, record.TagScene, record.TagResolution,
	record.TagPreset, record.TagPass, record.TagCampaign, record.TagDriver, record.TagSession,
}

// clean makes text from outside fit for a tag.
func clean(s string) string { return text.Line(s) }
