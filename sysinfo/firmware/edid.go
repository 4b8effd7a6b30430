package firmware

import (
	"bytes"
	"encoding/binary"
	"errors"

	safe "capd.example/internal/text"
)

// EDID is what a monitor says about itself in the base block of its identification data
// (VESA E-EDID Standard, release A revision 2, EDID structure 1.4). Its serial numbers are
// not read.
type EDID struct {
	Name          string
	width, height int     // preferred mode in pixels, 0 for none
	Refresh       float64 // of the preferred mode in Hz: frames, or fields where interlaced
	interlaced    bool
	MinHz, MaxHz  int // range of refresh rates, 0 where the monitor does not tell
}

var errNoEDID = errors.New("not the identification data of a monitor")

const (
	edidBlock       = 128
	edidDescriptors = 54 // four of 18 bytes each, of which the first is the preferred timing
	edidDescriptor  = 18
)

// ParseEDID reads the base block; what follows it is not looked at.
func ParseEDID(b []byte) (EDID, error) {
	if len(b) < edidBlock || !bytes.HasPrefix(b, []byte{0, 255, 255, 255, 255, 255, 255, 0}) {
		return EDID{}, errNoEDID
	}
	sum := byte(0)
	for _, x := range b[:edidBlock] {
		sum += x
	}
	if sum != 0 {
		return EDID{}, errors.New("the checksum of the monitor's identification data is wrong")
	}
	var e EDID
	for i := range 4 {
		d := b[edidDescriptors+i*edidDescriptor:][:edidDescriptor]
		switch {
		case d[0] != 0 || d[1] != 0:
			if i == 0 {
				e.timing(d)
			}
		case d[3] == 0xfc: // name, ended by a line feed and filled with blanks
			text, _, _ := bytes.Cut(d[5:], []byte{'\n'})
			e.Name = safe.Reported(string(text))
		case d[3] == 0xfd:
			e.limits(d)
		}
	}
	return e, nil
}

// timing reads a detailed timing descriptor (section 3.10.2): the pixel clock in 10 kHz,
// then active and blanked pixels and lines, of twelve bits each.
func (e *EDID) timing(d []byte) {
	clock := float64(binary.LittleEndian.Uint16(d)) * 10_000
	low := func(i int) int { return int(d[i]) }
	across, acrossBlank := low(2)|low(4)&0xf0<<4, low(3)|low(4)&0x0f<<8
	down, downBlank := low(5)|low(7)&0xf0<<4, low(6)|low(7)&0x0f<<8
	total := (across + acrossBlank) * (down + downBlank)
	if across == 0 || down == 0 || total == 0 {
		return
	}
	e.width, e.height, e.Refresh = across, down, clock/float64(total)
	if e.interlaced = d[17]&0x80 != 0; e.interlaced {
		e.height *= 2 // lines are those of a field
	}
}

// limits reads a display range limits descriptor (section 3.10.3.3): the vertical rates
// in Hz, to which 255 is added where a flag says so.
func (e *EDID) limits(d []byte) {
	lowest, highest := int(d[5]), int(d[6])
	switch d[4] & 3 {
	case 2:
		highest += 255
	case 3:
		lowest, highest = lowest+255, highest+255
	}
	if lowest > 0 && lowest <= highest {
		e.MinHz, e.MaxHz = lowest, highest
	}
}
