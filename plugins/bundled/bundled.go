// Package bundled lists the standard validators. The agent starts itself as their program,
// which serves them with the kit, see [capd.example/plugins/serve].
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
