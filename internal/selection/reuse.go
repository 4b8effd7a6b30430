package selection

import (
	"context"
	"fmt"
	"strings"

	"capd.example/analysis"
	"capd.example/internal/cli"
	"capd.example/record"
	"capd.example/store"
)

// FactorsOf returns the factors that make a cell.
func FactorsOf(o analysis.Options) []string {
	if len(o.Factors) > 0 {
		return o.Factors
	}
	return append([]string(nil), record.CellFactors...)
}

// TagNames returns the names of tags that are typed as NAME=VALUE.
func TagNames(tags []string) []string {
	var out []string
	for _, t := range tags {
		name, _, _ := strings.Cut(t, "=")
		out = append(out, name)
	}
	return out
}

// SystemsIn reads the systems of passes by identity.
func SystemsIn(ctx context.Context, r store.Reader, passes []record.Pass) (map[string]record.System, error) {
	out := map[string]record.System{}
	for _, p := range passes {
		if _, ok := out[p.System]; ok || p.System == "" {
			continue
		}
		sys, err := r.System(ctx, p.System)
		if err != nil {
			return nil, cli.FailedError(fmt.Errorf("system %s: %w", p.System, err))
		}
		out[p.System] = sys
	}
	return out, nil
}
