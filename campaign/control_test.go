package campaign_test

import (
	"strings"
	"testing"

	"capd.example/campaign"
)

func TestControls(t *testing.T) {
	const text = `
name = "c"
[factors]
cpu = ["P1", "P2", "P3"]
gpu = ["G1", "G2"]
resolution = ["1920x1080", "3840x2160"]
[change_minutes]
cpu = %CPU%
gpu = 15
[[game]]
name = "Long"
pass_minutes = 6
[[game]]
name = "Short"
pass_minutes = 2
`
	for cost, resolution := range map[string]string{"40": "1920x1080", "5": "3840x2160"} {
		c, err := campaign.Parse([]byte(strings.Replace(text, "%CPU%", cost, 1)))
		if err != nil {
			t.Fatal(err)
		}
		p, err := campaign.NewPlan(c)
		if err != nil {
			t.Fatal(err)
		}
		got := p.Controls()
		if got.Builds != 6 || got.Wanted != 6 || got.Passes != 18 || got.Minutes != 6*3+18*2 || got.Cell["game"] != "Short" || got.Cell["resolution"] != resolution || got.Cell["cpu"] != "" {
			t.Errorf("changing the processor costs %s: %+v", cost, got)
		}
	}
}
