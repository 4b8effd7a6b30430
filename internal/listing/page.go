package listing

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/jedib0t/go-pretty/v6/table"
	"rsc.io/qr"

	"capd.example/control"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
)

// Door is what is asked about who may open the page: a code for one more device of this name,
// where nothing else is asked.
type Door struct {
	Name    string
	Devices bool     // list them
	Revoke  []string // identities to take back
	Monitor bool     // a token for a program that reads the figures
	JSON    bool
}

// Open asks the agent and prints its answer.
func (d Door) Open(ctx context.Context, a *cli.Streams, agent *control.Client) error {
	if d.Devices && (d.Monitor || len(d.Revoke) > 0) || d.Monitor && len(d.Revoke) > 0 {
		return cli.UsageError(errors.New("page: --devices, --revoke and --monitor are three different things"), "give one of them")
	}
	if slices.Contains(d.Revoke, "") { // an empty variable of a script
		return cli.UsageError(errors.New("page: --revoke needs the ID of a device"), "'capctl page --devices' lists them")
	}
	switch {
	case d.Devices:
		list, err := agent.Devices(ctx)
		if err != nil {
			return err
		}
		return Devices(a, list, d.JSON)
	case len(d.Revoke) > 0:
		for _, id := range d.Revoke {
			if err := agent.Revoke(ctx, id); err != nil {
				return err
			}
			a.Say("%s may no longer open the page", id)
		}
		return nil
	case d.Monitor:
		token, err := agent.Monitor(ctx, d.Name)
		if err != nil {
			return err
		}
		safe.Fprintf(a.Out, "%s\n", token)
		a.Say("it is shown this once; 'capctl page --devices' lists who has one")
		return nil
	}
	i, err := agent.Invite(ctx, d.Name)
	if err != nil {
		return err
	}
	if d.JSON {
		return output.JSON(a.Out, i)
	}
	return Invitation(a, i, cli.Colours(a.Out), cli.Width(a.Out), time.Now())
}

// Invitation says how a device is paired with the page: the address and, where another device
// can open it, the same as a picture for its camera. A terminal narrower than that, of so many
// columns, gets none; 0 is for no terminal.
func Invitation(a *cli.Streams, i control.Invitation, colour bool, width int, now time.Time) error {
	minutes := int(i.Until.Sub(now).Round(time.Minute).Minutes())
	safe.Fprintf(a.Out, "%s\n", i.Open())
	if i.Local {
		a.Say("open this address in a browser on this machine within %d minutes, once; that browser may give orders then", minutes)
		port := "8470"
		if u, err := url.Parse(i.Open()); err == nil && u.Port() != "" {
			port = u.Port()
		}
		a.Say("for a phone, put listen = \"0.0.0.0:%s\" under [page] into the configuration and start the agent again", port)
		return nil
	}
	code, columns, err := picture(i.Open(), colour)
	if err != nil {
		return cli.FailedError(fmt.Errorf("draw the address: %w", err))
	}
	if width == 0 || width >= columns {
		fmt.Fprint(a.Out, code)
	} else {
		a.Say("the code for a camera needs %d columns, and this terminal has %d: make it wider and try again", columns, width)
	}
	a.Say("open this address on one device in the same network within %d minutes, once; with its camera or typed", minutes)
	for _, other := range i.Addresses[1:] {
		a.Say("if it does not open: %s/pair#%s", other, i.Code)
	}
	a.Say("the connection is not encrypted: pair devices only in a network that you trust")
	return nil
}

// margin is how many light modules a code needs around it (ISO/IEC 18004; from memory).
const margin = 4

// picture draws a text as a code of two modules to a line of text. Without colours, light is
// drawn and dark left out, as terminals mostly are.
func picture(text string, colour bool) (lines string, columns int, err error) {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return "", 0, err
	}
	begin, end := "", ""
	if colour {
		begin, end = "\x1b[97;40m", "\x1b[0m" // white on black, whatever the terminal's are
	}
	var b strings.Builder
	for y := -margin; y < code.Size+margin; y += 2 {
		b.WriteString(begin)
		for x := -margin; x < code.Size+margin; x++ {
			above, below := !code.Black(x, y), !code.Black(x, y+1)
			switch {
			case above && below:
				b.WriteRune('█')
			case above:
				b.WriteRune('▀')
			case below:
				b.WriteRune('▄')
			default:
				b.WriteByte(' ')
			}
		}
		b.WriteString(end + "\n")
	}
	return b.String(), code.Size + 2*margin, nil
}

// Devices lists what is paired with the page.
func Devices(a *cli.Streams, list []control.Device, asJSON bool) error {
	if asJSON {
		for _, d := range list {
			if err := output.JSON(a.Out, d); err != nil {
				return cli.FailedError(err)
			}
		}
		return nil
	}
	if len(list) == 0 {
		a.Nothing("no device is paired", "'capctl page' pairs one")
		return nil
	}
	var rows []table.Row
	for _, d := range list {
		what := "sees the page, gives orders"
		if d.Program {
			what = "reads /metrics"
		}
		rows = append(rows, table.Row{d.ID, d.Name, what, d.Since.Local().Format("2006-01-02 15:04"), d.From,
			d.Seen.Local().Format("2006-01-02")})
	}
	output.Table(a.Out, table.Row{"id", "name", "may", "since", "paired from", "last seen"}, rows)
	return nil
}
