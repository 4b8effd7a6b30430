package serve_test

import (
	"context"

	"capd.example/plugins"
	"capd.example/plugins/serve"
	"capd.example/record"
)

type named struct{}

func (named) Describe() plugins.Description {
	return plugins.Description{Name: "named", Version: "1", About: "the pass says which game it is of", Needs: []string{"tags"}}
}

func (named) Check(_ context.Context, e record.Evidence, _ plugins.Params) record.Finding {
	if e.Pass.Tags.Value(record.TagGame) == "" {
		return record.Finding{Outcome: record.Doubtful, Reason: "nothing says which game this is", Advice: "give the pass the tag game"}
	}
	return record.Finding{Outcome: record.OK, Reason: "the game is known"}
}

// The main function of a program with validators, which the agent starts: its path stands
// under [checks.pinned] in the configuration.
func ExampleValidators() {
	serve.Validators(named{})
}
