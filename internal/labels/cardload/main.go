//go:build linux && (amd64 || arm64)

// Command cardload is a load for a graphics card with NVIDIA's driver: a frame loop that
// writes a log, as a game and its logger would, or a second program that computes or
// copies for a share of the time. With it the check for other programs on the card is
// tried on a real one:
//
//	cardload -kind frames -log pass1.csv -seconds 20
//	cardload -kind compute -share 0.05 -seconds 30
//
// It speaks to the driver's own library (public header cuda.h) without any kit.
package main

import (
	"bufio"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"runtime"
	"strconv"
	"time"
	"unsafe"

	"github.com/ebitengine/purego"
)

// spin keeps every block of a grid busy for a number of cycles (PTX, the driver's own
// portable instructions).
const spin = `.version 7.0
.target sm_50
.address_size 64
.visible .entry spin(.param .u64 cycles)
{
	.reg .u64 %r<5>;
	.reg .pred %p<2>;
	ld.param.u64 %r1, [cycles];
	mov.u64 %r2, %clock64;
again:
	mov.u64 %r3, %clock64;
	sub.u64 %r4, %r3, %r2;
	setp.lt.u64 %p1, %r4, %r1;
	@%p1 bra again;
	ret;
}
` + "\x00"

const (
	copied       = 32 << 20 // bytes of one copy
	blocks       = 512
	threads      = 128
	blockingSync = 4 // CU_CTX_SCHED_BLOCKING_SYNC: waiting costs no processor time
)

func main() {
	kind := flag.String("kind", "frames", "frames, compute, copyin (from the machine's memory) or copy (within the card)")
	log := flag.String("log", "", "where the frame times go, for frames")
	seconds := flag.Float64("seconds", 10, "how long")
	share := flag.Float64("share", 0.05, "share of the time, for the others")
	work := flag.Float64("ms", 2, "time that the card works for one frame or burst")
	flag.Parse()
	runtime.LockOSThread() // a context belongs to a thread
	c, err := open()
	if err == nil {
		until := time.Now().Add(time.Duration(*seconds * float64(time.Second)))
		if *kind == "frames" {
			err = c.frames(*log, until, *work)
		} else {
			err = c.others(*kind, until, *share, *work)
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "cardload:", err)
		os.Exit(3)
	}
}

// card is an open context.
type card struct {
	lib            uintptr
	spin           uintptr
	perMS          float64 // cycles
	there, other   uint64  // memory on the card
	here           uintptr // memory of the machine
	launch, wait   uintptr
	toCard, within uintptr
}

func (c *card) symbol(name string) uintptr {
	p, err := purego.Dlsym(c.lib, name)
	if err != nil {
		return 0
	}
	return p
}

func (c *card) call(name string, args ...uintptr) error {
	fn := c.symbol(name)
	if fn == 0 {
		return fmt.Errorf("the driver has no %s", name)
	}
	return answer(name, fn, args...)
}

func answer(name string, fn uintptr, args ...uintptr) error {
	if rc, _, _ := purego.SyscallN(fn, args...); int32(rc) != 0 {
		return fmt.Errorf("%s returned %d", name, int32(rc))
	}
	return nil
}

func open() (*card, error) {
	lib, err := purego.Dlopen("libcuda.so.1", purego.RTLD_NOW|purego.RTLD_GLOBAL)
	if err != nil {
		return nil, err
	}
	c := &card{lib: lib}
	var device int32
	var context, module uintptr
	text, name := []byte(spin), []byte("spin\x00")
	for _, step := range []func() error{
		func() error { return c.call("cuInit", 0) },
		func() error { return c.call("cuDeviceGet", uintptr(unsafe.Pointer(&device)), 0) },
		func() error {
			return c.call("cuCtxCreate_v2", uintptr(unsafe.Pointer(&context)), blockingSync, uintptr(device))
		},
		func() error {
			return c.call("cuModuleLoadData", uintptr(unsafe.Pointer(&module)), uintptr(unsafe.Pointer(&text[0])))
		},
		func() error {
			return c.call("cuModuleGetFunction", uintptr(unsafe.Pointer(&c.spin)), module, uintptr(unsafe.Pointer(&name[0])))
		},
		func() error { return c.call("cuMemAlloc_v2", uintptr(unsafe.Pointer(&c.there)), copied) },
		func() error { return c.call("cuMemAlloc_v2", uintptr(unsafe.Pointer(&c.other)), copied) },
		func() error { return c.call("cuMemHostAlloc", uintptr(unsafe.Pointer(&c.here)), copied, 0) },
	} {
		if err := step(); err != nil {
			return nil, err
		}
	}
	runtime.KeepAlive(text)
	c.launch, c.wait = c.symbol("cuLaunchKernel"), c.symbol("cuCtxSynchronize")
	c.toCard, c.within = c.symbol("cuMemcpyHtoD_v2"), c.symbol("cuMemcpyDtoD_v2")
	return c, c.calibrate()
}

// calibrate finds how many cycles a millisecond has.
func (c *card) calibrate() error {
	const cycles = 20e6
	for range 3 {
		start := time.Now()
		if err := c.compute(cycles); err != nil {
			return err
		}
		c.perMS = cycles / (time.Since(start).Seconds() * 1000)
	}
	return nil
}

func (c *card) compute(cycles float64) error {
	n := uint64(cycles)
	params := [1]unsafe.Pointer{unsafe.Pointer(&n)}
	err := answer("cuLaunchKernel", c.launch, c.spin, blocks, 1, 1, threads, 1, 1, 0, 0, uintptr(unsafe.Pointer(&params)),
		0)
	if err == nil {
		err = answer("cuCtxSynchronize", c.wait)
	}
	runtime.KeepAlive(&n)
	return err
}

// frames works on the card and on the processor by turns, as a game does, and writes one
// line a frame.
func (c *card) frames(log string, until time.Time, work float64) error {
	f, err := os.Create(log)
	if err != nil {
		return err
	}
	defer f.Close()
	w := bufio.NewWriterSize(f, 1<<14)
	fmt.Fprintln(w, "frame ms")
	last := time.Now()
	for time.Now().Before(until) {
		if err := c.compute(work * c.perMS * (1 + 0.05*rand.NormFloat64())); err != nil {
			return err
		}
		for busy := time.Now(); time.Since(busy) < 300*time.Microsecond; {
		}
		now := time.Now()
		fmt.Fprintln(w, strconv.FormatFloat(now.Sub(last).Seconds()*1000, 'f', 4, 64))
		last = now
	}
	if err := w.Flush(); err != nil {
		return err
	}
	return f.Close()
}

// others uses the card for a share of the time.
func (c *card) others(kind string, until time.Time, share, work float64) error {
	for time.Now().Before(until) {
		start := time.Now()
		var err error
		switch kind {
		case "compute":
			err = c.compute(work * c.perMS)
		case "copyin":
			err = answer("cuMemcpyHtoD", c.toCard, uintptr(c.there), c.here, copied)
		case "copy":
			for i := 0; i < 20 && err == nil; i++ {
				err = answer("cuMemcpyDtoD", c.within, uintptr(c.other), uintptr(c.there), copied)
			}
			if err == nil {
				err = answer("cuCtxSynchronize", c.wait)
			}
		default:
			err = fmt.Errorf("kind %q is none of frames, compute, copyin, copy", kind)
		}
		if err != nil {
			return err
		}
		if share < 1 {
			time.Sleep(time.Duration(float64(time.Since(start)) * (1 - share) / share))
		}
	}
	return nil
}
