package record

import (
	"fmt"
	"strings"
)

// Count says a number of things for people: "1 pass", "2 passes", "0 hitches".
func Count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	for _, ending := range []string{"s", "ch", "sh", "x"} {
		if strings.HasSuffix(noun, ending) {
			return fmt.Sprintf("%d %ses", n, noun)
		}
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
