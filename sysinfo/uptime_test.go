package sysinfo

import "testing"

func FuzzUptime(f *testing.F) {
	f.Add([]byte("1005.00 1909.95\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if up, idle, ok := parseUptime(b); ok && (up <= 0 || idle < 0) {
			t.Errorf("up for %v s, idle for %v s", up, idle)
		}
	})
}
