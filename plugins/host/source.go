package host

import (
	"context"
	"fmt"
	"slices"
	"time"

	"capd.example/plugins"
	"capd.example/plugins/internal/wire"
	"capd.example/record"
)

// starting stands for the program itself among the names that have strikes.
const starting = ""

// source is one program that holds validators.
type source struct {
	name    string // for people
	argv    []string
	sum     []byte // SHA-256 that the file must have; nil for the bundled ones
	bundled bool
	plain   bool  // may go without mutual TLS
	refused error // why it is never started

	process   *process
	described []plugins.Description
	problems  map[string]string // validators that cannot run as they are set, and why

	failures map[string]*failure // of those that did not answer when they were last asked
}

// failure is that of a validator, or of the start of its program.
type failure struct {
	inARow int
	last   string
	again  time.Time // when it is asked again where it is put aside
}

// nonsense begins the reason of a validator whose settings make no sense.
const nonsense = "a setting makes no sense: "

// ready returns a process that is described and configured.
func (h *Host) ready(ctx context.Context, s *source) (*process, error) {
	if s.refused != nil {
		return nil, s.refused
	}
	if s.process.alive() {
		return s.process, nil
	}
	s.process.kill()
	s.process = nil
	p, err := start(ctx, h.opts, h.dir, s)
	if err != nil {
		return nil, err
	}
	err = p.call(ctx, h.opts.Deadline, "describe itself", func(ctx context.Context) error {
		d, err := p.client.Describe(ctx, h.opts.Version)
		if err == nil {
			s.described = d
		}
		return err
	})
	if err == nil {
		err = p.call(ctx, h.opts.Deadline, "take its settings", func(ctx context.Context) (err error) {
			s.problems, err = p.client.Configure(ctx, h.settings(s))
			return err
		})
	}
	if err != nil {
		p.kill()
		return nil, err
	}
	s.process = p
	return p, nil
}

func (h *Host) settings(s *source) map[string]map[string]string {
	out := map[string]map[string]string{}
	for _, d := range s.described {
		if set, ok := h.opts.Params[d.Name]; ok {
			out[d.Name] = set
		}
	}
	return out
}

// checkSource asks all validators of s. After a failure the rest is asked in a fresh
// process.
func (h *Host) checkSource(ctx context.Context, s *source, m wire.Message) []record.Finding {
	if why := h.aside(s, starting); why != "" {
		h.later = true
		return h.allNotChecked(s, why)
	}
	if _, err := h.ready(ctx, s); err != nil {
		if ctx.Err() == nil && s.refused == nil {
			h.strike(s, starting, err)
			h.later = true
		}
		return h.allNotChecked(s, err.Error())
	}
	delete(s.failures, starting)
	loaded := false
	var out []record.Finding
	for _, d := range s.described {
		if slices.Contains(h.opts.Off, d.Name) {
			continue
		}
		out = append(out, h.checkOne(ctx, s, d, m, &loaded))
	}
	return out
}

func (h *Host) checkOne(ctx context.Context, s *source, d plugins.Description, m wire.Message,
	loaded *bool) record.Finding {
	if why := h.aside(s, d.Name); why != "" {
		h.later = h.later || !h.heard[d.Name]
		return h.notChecked(d, why)
	}
	if why := s.problems[d.Name]; why != "" {
		return h.notChecked(d, nonsense+why)
	}
	f, err := h.ask(ctx, s, d, m, loaded)
	if err == nil {
		delete(s.failures, d.Name)
		return f
	}
	s.process.kill()
	s.process, *loaded = nil, false
	if ctx.Err() != nil {
		return h.notChecked(d, "the check was interrupted")
	}
	h.strike(s, d.Name, err)
	h.later = h.later || !h.heard[d.Name]
	return h.notChecked(d, err.Error())
}

// ask makes the calls for one validator, starting and loading as needed.
func (h *Host) ask(ctx context.Context, s *source, d plugins.Description, m wire.Message,
	loaded *bool) (f record.Finding, err error) {
	if !s.process.alive() {
		*loaded = false
	}
	p, err := h.ready(ctx, s)
	if err != nil {
		return f, err
	}
	if !*loaded {
		err := p.call(ctx, h.opts.Deadline, "take the pass", func(ctx context.Context) error { return p.client.Load(ctx, m) })
		if err != nil {
			return f, err
		}
		*loaded = true
	}
	err = p.call(ctx, h.opts.Deadline, "check", func(ctx context.Context) (err error) {
		f, err = p.client.Check(ctx, d)
		return err
	})
	return f, err
}

// strike notes a failure and says so in the log.
func (h *Host) strike(s *source, name string, err error) {
	f := s.failures[name]
	if f == nil {
		f = &failure{}
		s.failures[name] = f
	}
	f.inARow++
	f.last, f.again = err.Error(), time.Now().Add(h.pause(s, f.inARow))
	event := h.opts.Logger.Warn().Str("validator", name).Str("from", s.name).Int("failures_in_a_row", f.inARow)
	if f.inARow >= h.opts.Strikes {
		event.Msgf("validator is put aside until %s: %v", f.again.Format(time.TimeOnly), err)
		return
	}
	event.Msg(err.Error())
}

// pause is how long a validator is left alone after so many failures in a row.
func (h *Host) pause(s *source, inARow int) time.Duration {
	first, most := h.opts.Pause, 12*h.opts.Pause
	if !s.bundled {
		first, most = 6*first, max(most, 30*time.Minute)
	}
	for range min(inARow-h.opts.Strikes, 30) {
		first *= 2
	}
	return min(first, most)
}

// aside says why the named validator is not asked now, or "".
func (h *Host) aside(s *source, name string) string {
	f := s.failures[name]
	if f == nil || f.inARow < h.opts.Strikes || !time.Now().Before(f.again) {
		return ""
	}
	return fmt.Sprintf("paused until %[2]s after %[1]d failures in a row; the last was: %[3]s", f.inARow,
		f.again.Format(time.TimeOnly), f.last)
}

// allNotChecked answers for every validator of s that is known.
func (h *Host) allNotChecked(s *source, why string) []record.Finding {
	var out []record.Finding
	for _, d := range s.described {
		if !slices.Contains(h.opts.Off, d.Name) {
			out = append(out, h.notChecked(d, why))
		}
	}
	if len(s.described) == 0 {
		h.unknown = true
		out = append(out, h.notChecked(plugins.Description{Name: s.name}, why))
	}
	return out
}

// notChecked is the finding of a validator that gave no answer, which is noted unless
// another program's validator of that name was heard: its finding counts.
func (h *Host) notChecked(d plugins.Description, why string) record.Finding {
	if !h.heard[d.Name] {
		h.unable[d.Name] = why
	}
	return record.Finding{
		Check: d.Name, Version: d.Version, Outcome: record.NotChecked, Reason: why,
		Advice: "see the agent's log; once the validator works, the agent checks the pass again; 'capctl recheck' does it at any time",
	}
}
