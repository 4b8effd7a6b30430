package detect

import (
	"encoding/binary"
	"runtime"
	"unsafe"

	"capd.example/record"
	"capd.example/sysinfo/tree"
	"golang.org/x/sys/unix"
)

// Requests of the kernel's include/uapi/drm/drm.h and drm_mode.h with the sizes of their
// structures; none of them needs to be the display's master.
const (
	drmDropMaster   = 'd'<<8 | 0x1f
	drmGetCRTC      = 3<<30 | drmCRTCSize<<16 | 'd'<<8 | 0xa1
	drmGetEncoder   = 3<<30 | drmEncoderSize<<16 | 'd'<<8 | 0xa6
	drmGetConnector = 3<<30 | drmConnectorSize<<16 | 'd'<<8 | 0xa7

	drmCRTCSize, drmEncoderSize, drmConnectorSize = 104, 20, 80
)

// connectorMode follows connector, encoder and scan-out of a graphics device to the mode
// that is set. Whoever opens the device while nobody is its master becomes that, which is
// given back at once.
func connectorMode(device string, connector uint32) (displayNow, record.Unknown) {
	fd, err := unix.Open(device, unix.O_RDWR|unix.O_CLOEXEC|unix.O_NONBLOCK, 0)
	if err != nil {
		return displayNow{}, tree.Reason(err)
	}
	defer unix.Close(fd)
	unix.Syscall(unix.SYS_IOCTL, uintptr(fd), drmDropMaster, 0) // refused to whoever is none
	ask := func(request uintptr, b []byte) error {
		if _, _, e := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), request, uintptr(unsafe.Pointer(&b[0]))); e != 0 {
			return e
		}
		return nil
	}
	order := binary.NativeEndian
	// Room for one mode is asked for: a request without any has the driver look for the
	// monitor anew, which can take long.
	var room [drmModeSize]byte
	var pin runtime.Pinner
	pin.Pin(&room)
	defer pin.Unpin()
	var c [drmConnectorSize]byte
	order.PutUint64(c[8:], uint64(uintptr(unsafe.Pointer(&room))))
	order.PutUint32(c[32:], 1)
	order.PutUint32(c[48:], connector)
	if err := ask(drmGetConnector, c[:]); err != nil {
		return displayNow{}, tree.Reason(err)
	}
	var e [drmEncoderSize]byte
	copy(e[:4], c[44:48])
	if order.Uint32(e[:]) == 0 {
		return displayNow{}, record.Absent // nothing is shown
	}
	if err := ask(drmGetEncoder, e[:]); err != nil {
		return displayNow{}, tree.Reason(err)
	}
	var s [drmCRTCSize]byte
	copy(s[12:16], e[8:12])
	if err := ask(drmGetCRTC, s[:]); err != nil {
		return displayNow{}, tree.Reason(err)
	}
	if now, ok := parseDRMMode(s[36:]); ok && order.Uint32(s[32:]) != 0 {
		return now, ""
	}
	return displayNow{}, record.Absent
}
