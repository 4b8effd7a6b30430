package config

import (
	"strings"
	"testing"
)

func TestPageSettings(t *testing.T) {
	for _, q := range []struct {
		p    Page
		want string // beginning of the only complaint
	}{
		{Page{}, ""},
		{Page{Listen: "127.0.0.1:8470", Names: []string{"bench-1", "bench-1.lan", "Bench-1.lan."}}, ""},
		{Page{Listen: "[::1]:0"}, ""},
		{Page{Listen: "8470"}, "page.listen: "},
		{Page{Listen: "localhost:8470"}, "page.listen: "},
		{Page{Listen: ":8470"}, "page.listen: "},
		{Page{Listen: "0.0.0.0:8470"}, ""}, // only paired devices see it, which page/ looks after
		{Page{Listen: "[::]:8470"}, ""},
		{Page{Metrics: true}, "page.metrics: "},
		{Page{Metrics: true, Listen: "127.0.0.1:8470"}, ""},
		{Page{Names: []string{"http://bench-1"}}, "page.names: "},
		{Page{Names: []string{"bench-1:80"}}, "page.names: "},
		{Page{Names: []string{""}}, "page.names: "},
		{Page{Names: []string{"*"}}, "page.names: "},
		{Page{Names: []string{strings.Repeat("a.", 127) + "aa"}}, "page.names: "},
	} {
		var w wrong
		q.p.check(&w)
		if q.want == "" && len(w) > 0 || q.want != "" && (len(w) != 1 || !strings.HasPrefix(w[0].Error(), q.want)) {
			t.Errorf("%+v: %v", q.p, w)
		}
	}
}
