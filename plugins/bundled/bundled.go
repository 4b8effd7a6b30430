// Package bundled is the program of the standard validators, which the agent starts as
// itself.
package bundled

import (
	"capd.example/plugins"
	"capd.example/plugins/agreement"
	"capd.example/plugins/background"
	"capd.example/plugins/clock"
	"capd.example/plugins/completeness"
	"capd.example/plugins/configuration"
	"capd.example/plugins/drift"
	"capd.example/plugins/duplicate"
	"capd.example/plugins/framecap"
	"capd.example/plugins/hitches"
	"capd.example/plugins/serve"
	"capd.example/plugins/thermal"
)

// Validators returns the standard validators.
func Validators() []plugins.Validator {
	return []plugins.Validator{
		completeness.Validator{}, thermal.Validator{}, background.Validator{}, agreement.Validator{},
		configuration.Validator{}, framecap.Validator{}, hitches.Validator{},
		drift.Validator{}, duplicate.Validator{}, clock.Validator{},
	}
}

// Main serves the standard validators to the agent that started this process.
func Main() { serve.Validators(Validators()...) }
