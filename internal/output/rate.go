package output

import "fmt"

// FPS is a frame rate for people.
func FPS(x float64) string { return fmt.Sprintf("%.1f", x) }
