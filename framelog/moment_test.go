package framelog_test

import (
	"encoding/binary"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"strings"
	"syscall"
	"testing"
	"unicode/utf16"

	"capd.example/framelog"
	"capd.example/framelog/parquetlog"
)

// stumbling is a file whose disk fails once, at a place, and works again after that.
type stumbling struct {
	data   []byte
	at     int
	read   int
	failed bool
}

func (s *stumbling) Read(p []byte) (int, error) {
	if s.read == s.at && !s.failed {
		s.failed = true
		return 0, &fs.PathError{Op: "read", Path: "x", Err: syscall.EIO}
	}
	end := len(s.data)
	if !s.failed {
		end = s.at
	}
	n := copy(p, s.data[s.read:end])
	if s.read += n; n == 0 && len(p) > 0 {
		return 0, io.EOF
	}
	return n, nil
}

// A disk that fails once, wherever in a log and in whatever the log is packed, is of the
// moment: never damage of the log, and never a log that ends or has a gap there.
func TestADiskThatFailsOnceIsOfTheMoment(t *testing.T) {
	// More than is read at once before anything is unpacked, also when it is packed.
	var text, json strings.Builder
	text.WriteString("frame_ms,note\n")
	rng := rand.New(rand.NewPCG(1, 2))
	for range 60_000 {
		ms := 9 + 2*rng.Float64()
		fmt.Fprintf(&text, "%.9f,\u00e9\U0001f3ae%x\n", ms, rng.Uint64())
		fmt.Fprintf(&json, "{\"frame_ms\": %.9f, \"note\": \"%x\"}\n", ms, rng.Uint64())
	}
	plain := []byte(text.String())
	forms := map[string][]byte{
		"plain": plain, "bom": append([]byte{0xef, 0xbb, 0xbf}, plain...), "json lines": []byte(json.String()),
		"gzip": packed(t, "gzip", plain), "zstd": packed(t, "zstd", plain), "gzip of utf-16": packed(t, "gzip", inUTF16(plain, binary.LittleEndian)),
		"utf-16le": inUTF16(plain, binary.LittleEndian), "utf-16be": inUTF16(plain, binary.BigEndian),
	}
	opt := framelog.Options{Formats: []framelog.Format{parquetlog.Format}}
	for name, data := range forms {
		if got, err := framelog.Read("x", data, opt); err != nil || len(got.Frames.MS) != 60_000 {
			t.Fatalf("%s: %d frames, %v", name, len(got.Frames.MS), err)
		}
		places := []int{0, 1, 2, 3, 4, 9, 10, 11, 18, 99, 1001, len(data) - 1, len(data)}
		for range 12 {
			places = append(places, rng.IntN(len(data)))
		}
		for _, at := range places {
			got, err := new(framelog.Reader).ReadStream("x", &stumbling{data: data, at: at}, opt)
			if !framelog.OfTheMoment(err) {
				t.Errorf("%s: the disk fails at byte %d of %d: %d frames, %v", name, at, len(data), len(got.Frames.MS), err)
			}
		}
	}
}

func inUTF16(text []byte, order binary.AppendByteOrder) []byte {
	out := order.AppendUint16(nil, 0xfeff)
	for _, u := range utf16.Encode([]rune(string(text))) {
		out = order.AppendUint16(out, u)
	}
	return out
}
