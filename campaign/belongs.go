package campaign

import (
	"slices"
	"time"

	"capd.example/record"
)

// Era is the time in which a campaign was measured, from the first to the last of its
// orders and of the passes that bear its name; zero where there is neither.
type Era struct{ From, To time.Time }

// Add widens the era to a time.
func (e Era) Add(at time.Time) Era {
	if e.From.IsZero() || at.Before(e.From) {
		e.From = at
	}
	if at.After(e.To) {
		e.To = at
	}
	return e
}

// near reports whether a time lies in the era or a stretch around it.
func (e Era) near(at time.Time) bool {
	return e.From.IsZero() || !at.Before(e.From.Add(-record.Stretch)) && !at.After(e.To.Add(record.Stretch))
}

// Names are the name of the campaign and those that it had before.
func (c *Campaign) Names() []string { return append([]string{c.Name}, c.Was...) }

// Bears reports whether a pass is tagged with the campaign, by its name or an earlier one.
func (c *Campaign) Bears(p record.Pass) bool {
	return slices.Contains(c.Names(), p.Tags.Value(record.TagCampaign))
}

// Belongs reports whether a pass is of the campaign. What is tagged with the campaign is,
// what is tagged with another is not. A pass without the tag is, where its time says so:
// not ahead of since, or where the file has no since, within a [record.Stretch] of the campaign's
// era. What started ahead of since never is.
func (c *Campaign) Belongs(p record.Pass, e Era) bool {
	switch {
	case p.StartedAt.Before(c.Since):
		return false
	case p.Tags.Value(record.TagCampaign) != "":
		return c.Bears(p)
	case !c.Since.IsZero():
		return true
	}
	return e.near(p.StartedAt)
}
