package cli

// modes is a console's mode on Windows, which others have not.
type modes interface {
	get() (uint32, error)
	set(mode uint32) error
}

// Bits of a console's mode (Microsoft, "SetConsoleMode function").
const (
	modeProcessed = 0x1  // of output: control characters mean something
	modeSequences = 0x4  // of output: so do escape sequences
	modeQuickEdit = 0x40 // of input: a click selects text, and writers wait until it is over
	modeExtended  = 0x80 // of input: the bit before is meant
)

// allowSequences has a console understand escape sequences. A classic one is opened without,
// and those before Windows 10 never do; then the sequences would be seen as they are.
func allowSequences(c modes) bool {
	mode, err := c.get()
	if err != nil {
		return false
	}
	const need = modeProcessed | modeSequences
	return mode&need == need || c.set(mode|need) == nil
}

// refuseClicks keeps a click into the console's window from holding up what is written to
// it. Restore puts the mode back, for the shell that goes on in that window.
func refuseClicks(c modes) (restore func()) {
	mode, err := c.get()
	if err != nil || mode&modeQuickEdit == 0 || c.set(mode&^modeQuickEdit|modeExtended) != nil {
		return func() {}
	}
	return func() { _ = c.set(mode | modeExtended) }
}
