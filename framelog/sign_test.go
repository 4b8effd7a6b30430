package framelog_test

import (
	"fmt"
	"strings"
	"testing"

	"capd.example/framelog"
)

// Rows at the end with another decimal sign are rows, not a summary: a tenth of the pass
// would be gone with a remark. Words and a few figures behind a table stay a summary.
func TestRowsInAnotherDecimalSignAreNoSummary(t *testing.T) {
	rows := func(n, from int, sign, delim string, columns int) string {
		var b strings.Builder
		for i := range n {
			at := fmt.Sprintf("%d%s%03d", from+i, sign, i%1000)
			ms := fmt.Sprintf("10%s%d", sign, 100+i%7)
			switch columns {
			case 1:
				fmt.Fprintln(&b, ms)
			case 2:
				fmt.Fprintln(&b, i%5, delim, ms)
			default:
				fmt.Fprintln(&b, strings.Join([]string{"7", ms, at, fmt.Sprint(i % 3)}, delim))
			}
		}
		return b.String()
	}
	for _, c := range []struct {
		name, head, delim, sign, other string
		columns                        int
	}{
		{"one column", "frame_ms\n", "", ".", ",", 1},
		{"one column, comma first", "frame_ms\n", "", ",", ".", 1},
		{"semicolons", "load;frame_ms\n", ";", ",", ".", 2},
		{"semicolons, point first", "load;frame_ms\n", ";", ".", ",", 2},
		{"tabs", "load\tframe_ms\n", "\t", ".", ",", 2},
		{"commas", "load,frame_ms,note_a,note_b\n", ",", ".", ",", 4},
		{"commas, two columns", "load,frame_ms\n", ",", ".", ",", 2},
	} {
		good := c.head + rows(901, 0, c.sign, c.delim, c.columns)
		for _, bad := range []int{99, 3} {
			got, err := framelog.Read("x", []byte(good+rows(bad, 901, c.other, c.delim, c.columns)), framelog.Options{})
			if err == nil || !strings.Contains(err.Error(), "decimal sign") || !strings.Contains(err.Error(), "line 903") {
				t.Errorf("%s: the last %d rows have %q: %d frames, %v", c.name, bad, c.other, len(got.Frames.MS), err)
			}
		}
		summary := "average" + c.delim + "10\nlongest" + c.delim + "12\nend of the recording\n"
		if got, err := framelog.Read("x", []byte(good+summary), framelog.Options{}); err != nil || len(got.Frames.MS) != 901 {
			t.Errorf("%s: a summary: %d frames, %v", c.name, len(got.Frames.MS), err)
		}
	}
}
