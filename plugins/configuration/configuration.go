// Package configuration finds passes that were measured on a bench set up otherwise than
// for the cell's other passes: driver, firmware, memory speed, boost, power plan, build
// of the operating system.
package configuration

import (
	"context"
	"fmt"
	"strings"

	"capd.example/plugins"
	"capd.example/plugins/internal/pick"
	"capd.example/record"
)

// Validator is the check. It has no state.
type Validator struct{}

// Describe implements [plugins.Validator].
func (Validator) Describe() plugins.Description {
	return plugins.Description{
		Name: "configuration", Version: "1",
		About: "the bench was set up as for the cell's other passes",
		Needs: []string{"detected system", "an earlier pass of the cell"},
		Parameters: []plugins.Parameter{
			{Name: "ignore", Type: plugins.Text, Default: "",
				About: "fields that may differ, separated by commas; a name that ends in a dot stands for all below it"},
		},
	}
}

// Check implements [plugins.Validator].
func (Validator) Check(_ context.Context, e record.Evidence, p plugins.Params) record.Finding {
	c := pick.NewCase()
	passes := pick.Usable(e.Earlier)
	switch {
	case len(e.System.Fields) == 0:
		c.Unable("the system of this pass is unknown")
		return c.Finding("")
	case e.Pass.SystemLater():
		c.Unable("the agent was not running during this pass, so the bench's state is unknown")
		return c.Finding("")
	case len(passes) == 0:
		c.Unable("%s", pick.Alone(e.Pass, "this is the first usable pass of its cell"))
		return c.Finding("")
	}
	last := passes[len(passes)-1]
	if last.Pass.SystemLater() {
		c.Unable("the agent was not running during the pass before, %s", last.Pass.ID)
		return c.Finding("")
	}
	if len(last.System.Fields) == 0 {
		c.Unable("the system of the pass before, %s, is unknown", last.Pass.ID)
		return c.Finding("")
	}
	ignore := strings.Split(p.Text("ignore"), ",")
	identity := 0
	for _, f := range e.System.Fields {
		if f.Identity {
			identity++
		}
	}
	var changed, lost []string
	for _, d := range record.Diff(last.System, e.System) {
		if !d.Old.Identity && !d.New.Identity || ignored(ignore, d.Name) {
			continue
		}
		// What could not be read this time or then is no change of the bench.
		if d.Old.Unknown != "" || d.New.Unknown != "" {
			lost = append(lost, d.Name)
			continue
		}
		changed = append(changed, fmt.Sprintf("%s was %s and is %s", d.Name, show(d.Old), show(d.New)))
	}
	c.Put("fields", float64(identity))
	c.Put("changed", float64(len(changed)))
	if len(changed) > 0 {
		c.Found(record.Doubtful, "set the bench up as before, or repeat the cell's other passes with the bench as it is",
			"the bench has changed since the cell's pass %s: %s", last.Pass.ID, strings.Join(changed, "; "))
	}
	if len(lost) > 0 {
		c.Unable("%s, known for only one of the passes", strings.Join(lost, ", "))
	}
	return c.Finding(fmt.Sprintf("the bench is as in the cell's pass %[2]s: %[1]d facts are the same", identity,
		last.Pass.ID))
}

func ignored(list []string, name string) bool {
	for _, i := range list {
		if i = strings.TrimSpace(i); i != "" && (i == name || strings.HasSuffix(i, ".") && strings.HasPrefix(name, i)) {
			return true
		}
	}
	return false
}

func show(f record.Field) string {
	return strings.TrimSpace(f.Value + " " + f.Unit)
}
