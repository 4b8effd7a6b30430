package selection

import (
	"testing"
	"time"

	"capd.example/record"
)

// A correction of several passes says where they are of several campaigns.
func TestPassesOfSeveralCampaignsAreTold(t *testing.T) {
	pass := func(campaign string, day int) record.Pass {
		p := record.Pass{StartedAt: time.Date(2026, 3, day, 12, 0, 0, 0, time.Local), Tags: record.Tags{}}
		if campaign != "" {
			p.Tags[record.TagCampaign] = record.Tag{Value: campaign}
		}
		return p
	}
	spring, autumn, none := pass("spring", 2), pass("autumn", 9), pass("", 9)
	if got := Several([]record.Pass{autumn, none, autumn}); got != "" {
		t.Errorf("of one campaign: %s", got)
	}
	const want = "these are 1 of campaign spring (2026-03-02), 2 of campaign autumn (2026-03-09); --tag campaign=NAME selects those of one"
	if got := Several([]record.Pass{autumn, spring, none, autumn}); got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
}
