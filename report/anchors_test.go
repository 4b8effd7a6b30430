package report_test

import (
	"regexp"
	"testing"
)

// TestLinksWithinThePage: whatever the campaign holds, each link within the page leads
// somewhere.
func TestLinksWithinThePage(t *testing.T) {
	id, link := regexp.MustCompile(` id="([^"]+)"`), regexp.MustCompile(`href="#([^"]+)"`)
	for _, n := range [][4]int{{1, 1, 1, 1}, {1, 1, 3, 1}, {3, 2, 3, 2}} {
		page := files(t, campaign(n[0], n[1], n[2], n[3]))["index.html"]
		ids := map[string]bool{}
		for _, m := range id.FindAllSubmatch(page, -1) {
			ids[string(m[1])] = true
		}
		links := link.FindAllSubmatch(page, -1)
		if len(links) == 0 {
			t.Errorf("%v: no link at all", n)
		}
		for _, m := range links {
			if !ids[string(m[1])] {
				t.Errorf("%v: nothing is called %s", n, m[1])
			}
		}
	}
}
