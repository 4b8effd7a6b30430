package store

import (
	"context"
	"errors"

	"capd.example/store/internal/schema"
)

// schemaProblems is [checkSchema] for a report.
func (s *Store) schemaProblems(ctx context.Context) (out []Problem) {
	err := schema.CheckSchema(ctx, s.db)
	var altered *schema.AlteredError
	if errors.As(err, &altered) {
		for _, what := range altered.What {
			out = append(out, Problem{What: what})
		}
		return out
	}
	if err != nil {
		return []Problem{{What: s.explain(err).Error()}}
	}
	return nil
}
