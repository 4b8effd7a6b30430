package report

import (
	"capd.example/analysis/oddcell"
	"capd.example/analysis/ready"
	"capd.example/analysis/summary"
)

// sentences says the conclusions in words, from the same objects as the tables.
func (r *Report) sentences() []summary.Sentence {
	in := summary.Input{Cells: r.Cells, Factors: r.factors, Options: r.in.Options, PriceBy: r.in.PriceBy,
		RefreshHz: r.in.RefreshHz, Tested: r.Odd.Tested, Untested: len(r.Odd.Untestable)}
	for _, l := range r.Limits {
		in.Limits = append(in.Limits, summary.Limited{Factors: l.Factors, By: l.Limit, Low: l.ShareLow, High: l.ShareHigh})
	}
	for _, x := range r.Odd.Odd {
		// Parts that may have been mixed up are for the check before publishing.
		if x.Kind != oddcell.OddPart {
			in.Odd = append(in.Odd, summary.Suspect{Factors: x.Factors, Why: x.Reason})
		}
	}
	for _, p := range r.in.Prices {
		in.Prices = append(in.Prices, summary.Price{Part: p.Part, Currency: p.Currency, Amount: p.Amount})
	}
	for _, c := range r.Concerns {
		switch c.Kind {
		case ready.Open:
			in.Open = c.Text
		case ready.Doubtful, ready.Disagree, ready.Driver:
			in.Doubts = append(in.Doubts, c.Text)
		}
	}
	return summary.Write(in)
}

// Link is the section of the page that holds the figures of a sentence.
func (r *Report) Link(table string) string {
	there := map[string]bool{"cells": true, "limits": true, "odd": true, "ready": true, "methods": true,
		"margins": len(r.Margins) > 0, "games": len(r.Totals) > 0, "value": len(r.Values) > 0, "holds": len(r.Holds) > 0}
	for _, t := range []string{table, "margins"} {
		if there[t] {
			return t
		}
	}
	return "cells"
}
