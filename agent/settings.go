package agent

import (
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"capd.example/config"
	"capd.example/framelog"
	"capd.example/notify/routes"
	"capd.example/pipeline"
	"capd.example/plugins/bundled"
	"capd.example/store/lab"
	"capd.example/tag"
)

// WrongSettings lists all that is wrong with a configuration: what the settings themselves
// show, and what only the parts of the agent can know.
func WrongSettings(c config.Config) []error {
	var wrong []error
	if joined, is := c.Check().(interface{ Unwrap() []error }); is {
		wrong = joined.Unwrap()
	}
	add := func(key string, err error) {
		if err != nil {
			wrong = append(wrong, fmt.Errorf("%s: %w", key, err))
		}
	}
	_, err := tag.ParseTemplates(c.Tags.Paths)
	add("tags.paths", err)
	for i, l := range c.Layouts {
		add(fmt.Sprintf("layout[%d] %q", i, l.Name), framelog.Declared(l).Check())
	}
	wrong = append(wrong, wrongChecks(c.Checks)...)
	if c.Lab.Postgres() {
		add("lab.address", lab.Check(c.Lab.Address))
	}
	n := c.Notify
	_, err = routes.Build(routes.Options{Out: io.Discard, Command: n.Command, WebHook: n.WebHook, Secret: n.Secret,
		Services: n.Services})
	if err != nil {
		wrong = append(wrong, err) // names its setting
	}
	return wrong
}

// wrongChecks compares names and parameters with what the validators say of themselves.
// Validators in the reviewer's own folder are not started for that; what they do not know
// is said when they are.
func wrongChecks(c config.Checks) []error {
	var wrong []error
	names := []string{tag.CheckName, pipeline.AssertionsCheck}
	for _, v := range bundled.Validators() {
		d := v.Describe()
		names = append(names, d.Name)
		if _, err := d.Resolve(c.Params[d.Name]); err != nil {
			wrong = append(wrong, fmt.Errorf("checks.params.%s: %w", d.Name, err))
		}
	}
	if c.Folder != "" {
		if _, err := os.Stat(c.Folder); err != nil {
			wrong = append(wrong, fmt.Errorf("checks.folder: %w", err))
		}
		return wrong
	}
	known := func(key string, name string) {
		if !slices.Contains(names, name) {
			wrong = append(wrong, fmt.Errorf("%s: there is no check %q; there are %s", key, name, strings.Join(names, ", ")))
		}
	}
	for _, name := range c.Required {
		known("checks.required", name)
	}
	for _, name := range c.Off {
		known("checks.off", name)
	}
	for name := range c.Params {
		known("checks.params", name)
	}
	return wrong
}
