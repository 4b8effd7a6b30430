package campaign

import (
	"fmt"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// place is where a key stands in a file, from 1.
type place struct{ row, col int }

// places finds every key of a TOML text by its dotted path; tables of an array are
// numbered from 1: "game[2].name". A text that is not TOML gives what stands before the
// mistake.
func places(text []byte) map[string]place {
	at := map[string]place{}
	count := map[string]int{}
	var p unstable.Parser
	p.Reset(text)
	prefix := ""
	for p.NextExpression() {
		e := p.Expression()
		key, first := keyOf(&p, e)
		switch e.Kind {
		case unstable.Table:
			prefix = key + "."
		case unstable.ArrayTable:
			count[key]++
			key = fmt.Sprintf("%s[%d]", key, count[key])
			prefix = key + "."
		case unstable.KeyValue:
			key = prefix + key
		default:
			continue
		}
		if _, known := at[key]; !known {
			at[key] = first
		}
	}
	return at
}

func keyOf(p *unstable.Parser, e *unstable.Node) (string, place) {
	var parts []string
	var first place
	for it := e.Key(); it.Next(); {
		n := it.Node()
		if len(parts) == 0 {
			s := p.Shape(n.Raw).Start
			first = place{s.Line, s.Column}
		}
		parts = append(parts, string(n.Data))
	}
	return strings.Join(parts, "."), first
}

// nearest returns the place of a key, or else of the table it would stand in.
func nearest(at map[string]place, key string) (place, bool) {
	for {
		if p, ok := at[key]; ok {
			return p, true
		}
		if p, ok := at[key+"[1]"]; ok {
			return p, true
		}
		i := strings.LastIndexByte(key, '.')
		if i < 0 {
			return place{}, false
		}
		key = key[:i]
	}
}
