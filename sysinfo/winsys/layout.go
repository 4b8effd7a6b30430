package winsys

// Structures of Windows as 64-bit programs see them: sizes, and where the fields begin that we
// read. The tests hold them against the headers of mingw-w64.
const (
	IfRowSize  = 1352 // MIB_IF_ROW2 (netioapi.h)
	IfRowLUID  = 0
	IfRowIndex = 8
	IfRowFlags = 1152 // InterfaceAndOperStatusFlags
	IfRowIn    = 1208 // InOctets
	IfRowOut   = 1280 // OutOctets
	IfTableRow = 8    // the first row of a MIB_IF_TABLE2, after the number of rows

	ProcessSize    = 96 // SYSTEM_PROCESS_INFORMATION (winternl.h) as far as it is read
	ProcessCreated = 32
	ProcessUser    = 40
	ProcessKernel  = 48
	ProcessNameLen = 56 // ImageName.Length, in bytes
	ProcessNameAt  = 64 // ImageName.Buffer
	ProcessNumber  = 80
	ProcessParent  = 88

	DeviceSize = 840 // DISPLAY_DEVICEW (wingdi.h)
	DeviceID   = 328
	DeviceKey  = 584

	ModeSize   = 220 // DEVMODEW (wingdi.h)
	ModeLength = 68  // dmSize, which says so
	ModeWidth  = 172
	ModeHeight = 176
	ModeRate   = 184
	ModeEnd    = 188

	CoreSize   = 24 // PROCESSOR_POWER_INFORMATION (ntpoapi.h)
	CoreNumber = 0
	CoreClock  = 8 // CurrentMhz
)
