package owncost

import (
	"runtime"
	"testing"
)

func TestOwnCost(t *testing.T) {
	a := Now()
	if runtime.GOOS != "linux" && runtime.GOOS != "windows" {
		t.Skip("no source on this system")
	}
	if a.Resident == 0 || a.ResidentMost < a.Resident/2 || a.Age <= 0 {
		t.Errorf("%+v", a)
	}
	x := 0
	for i := range 200_000_000 {
		x += i ^ x
	}
	runtime.KeepAlive(x)
	if b := Now(); b.Processor <= a.Processor || b.Percent() <= 0 {
		t.Errorf("a loop cost nothing: %+v, %+v", a, b)
	}
}
