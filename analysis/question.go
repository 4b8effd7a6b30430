package analysis

import "capd.example/record"

// Question asks for the mistake by which passes have the rates of another level of a factor.
func Question(factor, level string) string {
	switch factor {
	case record.TagGame, record.TagScene:
		return "is it a log of " + level + "?"
	case record.TagProcessor, record.TagGraphics:
		return "was the " + level + " in?"
	}
	return "was " + factor + " " + level + " set?"
}
