package cli_test

import (
	"errors"
	"regexp"
	"strings"
	"testing"

	"github.com/rs/zerolog"

	"capd.example/internal/cli"
)

func TestConsole(t *testing.T) {
	write := func(c cli.Console) string {
		var out strings.Builder
		c.Out = &out
		log := zerolog.New(c).With().Timestamp().Logger()
		log.Info().Str("pass", "f5b9").Float64("avg_fps", 89.98).Msg("pass 1 is clean")
		log.Info().Bool(cli.OnScreen, true).Msg("pass 2 is bad")
		log.Debug().Msg("unreadable")
		log.Warn().Err(errors.New("no such\nhost \x1b[2J")).Str("hint", "look at the cable").Msg("an alert was not delivered")
		log.Error().Msg("close the store")
		return regexp.MustCompile(`(?m)^\d\d:\d\d:\d\d `).ReplaceAllString(out.String(), "@ ")
	}
	tests := []struct {
		name string
		c    cli.Console
		want string
	}{
		{"plain", cli.Console{}, "@ pass 1 is clean\n" +
			"@ warning: an alert was not delivered: no such host \ufffd[2J -> look at the cable\n@ error: close the store\n"},
		{"colour", cli.Console{Colour: true}, "@ pass 1 is clean\n" +
			"@ \x1b[33mwarning: an alert was not delivered: no such host \ufffd[2J -> look at the cable\x1b[0m\n@ \x1b[1;31merror: close the store\x1b[0m\n"},
		{"verbose", cli.Console{Verbose: true}, "@ pass 1 is clean avg_fps=89.98 pass=\"f5b9\"\n@ pass 2 is bad\n@ unreadable\n" +
			"@ warning: an alert was not delivered: no such host \ufffd[2J -> look at the cable\n@ error: close the store\n"},
	}
	for _, tt := range tests {
		if got := write(tt.c); got != tt.want {
			t.Errorf("%s:\n%q\nwant\n%q", tt.name, got, tt.want)
		}
	}
}
