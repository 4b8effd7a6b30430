package tables

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
)

const maxText = 1 << 20 // bytes of a tag

// Check refuses what no store has written: for passes that came from elsewhere. That the
// figures are those of the frame times is another question.
func (a Arrival) Check() error {
	p := a.Pass
	if err := checkIdentity(p); err != nil {
		return err
	}
	switch {
	case !p.Dated():
		return errors.New("its times are no dates")
	case p.Verdict != "" && !p.Verdict.Valid():
		return fmt.Errorf("%.80q is not a verdict", p.Verdict)
	case len(p.Tags) > 200 || len(p.Findings) > 1000 || len(a.System.Fields) > 10000:
		return errors.New("there are more tags, findings or facts than a pass can have")
	case a.Frames.Decimals < -1 || a.Frames.Decimals > 15:
		return fmt.Errorf("a resolution of %d decimals is not possible", a.Frames.Decimals)
	case a.System.ID != "" && a.System.Identity() != a.System.ID:
		return fmt.Errorf("the facts about system %.40q do not give that identity", a.System.ID)
	}
	for name, t := range p.Tags {
		if name == "" || len(name)+len(t.Value) > maxText {
			return fmt.Errorf("a tag has no name or more than %d bytes", maxText)
		}
	}
	for _, f := range p.Findings {
		if !f.Outcome.Valid() {
			return fmt.Errorf("%.80q is not an outcome", f.Outcome)
		}
	}
	return nil
}

func checkIdentity(p record.Pass) error {
	switch {
	case len(p.SHA256) != 64 || !sqlbase.IsHex(p.SHA256):
		return fmt.Errorf("%.80q is not a SHA-256", p.SHA256)
	case len(p.ID) < 12 || len(p.ID) > 64 || !sqlbase.IsHex(p.ID):
		return fmt.Errorf("%.80q is not the identity of a pass", p.ID)
	case p.Revision < 0 || p.Revision == 0 && !strings.HasPrefix(p.SHA256, p.ID):
		return fmt.Errorf("%.80q is not the identity that belongs to the hash", p.ID)
	case p.Bench == "" || len(p.Bench) > 200 || !utf8.ValidString(p.Bench):
		return fmt.Errorf("%.80q is not the name of a bench", p.Bench)
	}
	return nil
}
