package cli

import (
	"errors"
	"testing"
)

// invented is a console with a mode; one that is old refuses escape sequences.
type invented struct {
	mode uint32
	none bool
	old  bool
}

func (c *invented) get() (uint32, error) {
	if c.none {
		return 0, errors.New("no console")
	}
	return c.mode, nil
}

func (c *invented) set(mode uint32) error {
	if c.old && mode&modeSequences != 0 {
		return errors.New("the parameter is incorrect")
	}
	c.mode = mode
	return nil
}

// TestClassicConsole: a console as cmd.exe opens it (processed output and wrapping, Microsoft,
// "High-level console modes") is made to understand colours, and one that cannot gets none.
func TestClassicConsole(t *testing.T) {
	c := &invented{mode: 0x3}
	if !allowSequences(c) || c.mode != 0x7 {
		t.Errorf("mode %#x", c.mode)
	}
	if old := (&invented{mode: 0x3, old: true}); allowSequences(old) || old.mode != 0x3 {
		t.Errorf("an old console: mode %#x", old.mode)
	}
	if allowSequences(&invented{none: true}) {
		t.Error("colours where there is no console")
	}
}

// TestClicks: quick-edit mode is off while the agent runs and on again afterwards.
func TestClicks(t *testing.T) {
	for _, before := range []uint32{0x1F7, 0x1B7} {
		c := &invented{mode: before}
		restore := refuseClicks(c)
		if c.mode&modeQuickEdit != 0 {
			t.Errorf("from %#x to %#x: a click holds the agent up", before, c.mode)
		}
		restore()
		if c.mode&^modeExtended != before&^modeExtended {
			t.Errorf("%#x afterwards, %#x before", c.mode, before)
		}
	}
	refuseClicks(&invented{none: true})()
}
