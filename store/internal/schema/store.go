package schema

import (
	_ "modernc.org/sqlite"
)

// ApplicationID marks the file as ours in its heading ("cpd1").
const ApplicationID = 0x63706431
