package campaign

import (
	"testing"
	"time"

	"capd.example/record"
)

func TestBelongs(t *testing.T) {
	day := func(n int) time.Time { return time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC).AddDate(0, 0, n) }
	pass := func(of string, at time.Time) record.Pass {
		p := record.Pass{StartedAt: at, Tags: record.Tags{}}
		if of != "" {
			p.Tags[record.TagCampaign] = record.Tag{Value: of}
		}
		return p
	}
	plain := Campaign{Name: "spring", Was: []string{"march"}}
	since := Campaign{Name: "spring", Since: day(-50)}
	era := Era{}.Add(day(5)).Add(day(0))
	for _, x := range []struct {
		name string
		c    Campaign
		p    record.Pass
		e    Era
		want bool
	}{
		{"its name", plain, pass("spring", day(-400)), era, true},
		{"an earlier name", plain, pass("march", day(0)), era, true},
		{"another name", plain, pass("autumn", day(0)), era, false},
		{"its name ahead of since", since, pass("spring", day(-51)), era, false},
		{"no name, meanwhile", plain, pass("", day(3)), era, true},
		{"no name, a month before", plain, pass("", day(-30)), era, true},
		{"no name, more than a month before", plain, pass("", day(-30).Add(-time.Second)), era, false},
		{"no name, a month after", plain, pass("", day(35)), era, true},
		{"no name, more than a month after", plain, pass("", day(35).Add(time.Second)), era, false},
		{"no name, as old as since allows", since, pass("", day(-49)), era, true},
		{"no name, where nothing says when", plain, pass("", day(-400)), Era{}, true},
	} {
		if got := x.c.Belongs(x.p, x.e); got != x.want {
			t.Errorf("%s: %v", x.name, got)
		}
	}
	if e := (Era{}.Add(day(5)).Add(day(0))); !e.From.Equal(day(0)) || !e.To.Equal(day(5)) {
		t.Errorf("the era is %+v", e)
	}
}
