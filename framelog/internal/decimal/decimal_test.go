package decimal

import (
	"bytes"
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"capd.example/internal/testlab"
)

// readNumber takes the roads that a row takes and returns the value in ms.
func readNumber(s string, shift int) (float64, bool) {
	b := append([]byte(s), bytes.Repeat([]byte{' '}, Pad)...)
	if mant, frac, end := Scan(b, 0, '.'); end == len(s) {
		return Scaled(mant, frac+shift), true
	}
	n, k := Parse([]byte(s), '.')
	return n.In(shift), k == IsNumber
}

// want is the nearest double by strconv, which is correctly rounded.
func wantNumber(t testing.TB, s string, shift int) float64 {
	mant, exp, _ := strings.Cut(strings.ToLower(s), "e")
	e := 0
	if exp != "" {
		e, _ = strconv.Atoi(exp)
	}
	f, err := strconv.ParseFloat(mant+"e"+strconv.Itoa(e-shift), 64)
	if err != nil && !math.IsInf(f, 0) {
		t.Fatalf("%q: %v", s, err)
	}
	return f
}

// Numbers are read as strconv reads them, to the last bit, whatever the unit.
func TestNumbersAreCorrectlyRounded(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 14))
	n := 200_000
	if testlab.Long(t) {
		n = 2_000_000
	}
	for range n {
		s := randomNumber(rng)
		shift := []int{-3, 0, 3, 6}[rng.IntN(4)]
		got, ok := readNumber(s, shift)
		if want := wantNumber(t, s, shift); !ok || math.Float64bits(got) != math.Float64bits(want) {
			t.Fatalf("%q / 10^%d = %b (%v), want %b", s, shift, got, ok, want)
		}
	}
}

func randomNumber(rng *rand.Rand) string {
	digits := func(n int) string {
		b := make([]byte, n)
		for i := range b {
			b[i] = '0' + byte(rng.IntN(10))
		}
		return string(b)
	}
	switch rng.IntN(6) {
	case 0:
		return digits(1 + rng.IntN(24))
	case 1:
		return digits(1+rng.IntN(3)) + "." + digits(1+rng.IntN(7))
	case 2:
		return digits(1+rng.IntN(20)) + "." + digits(1+rng.IntN(20))
	case 3:
		return strconv.FormatFloat(math.Exp(rng.NormFloat64()*20), 'g', -1, 64)
	case 4: // half-way between two doubles, where rounding is hardest
		m := uint64(1)<<52 | rng.Uint64()>>12
		f := new(big.Float).SetPrec(200).SetUint64(2*m + 1)
		f.SetMantExp(f, -int(rng.IntN(70)))
		return f.Text('f', 40)
	default:
		return digits(1+rng.IntN(5)) + "." + digits(rng.IntN(9)) + "e" + strconv.Itoa(rng.IntN(60)-30)
	}
}

func TestDivisionIsCorrectlyRounded(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 71))
	for range 300_000 {
		m, dec := rng.Uint64()>>rng.IntN(64), rng.IntN(20)
		want, err := strconv.ParseFloat(fmt.Sprintf("%de-%d", m, dec), 64)
		if err != nil {
			t.Fatal(err)
		}
		if got := divided(m, dec); got != want {
			t.Fatalf("%d / 10^%d = %b, want %b", m, dec, got, want)
		}
	}
}

func TestCells(t *testing.T) {
	for _, c := range []struct {
		cell string
		want Class
	}{
		{"", IsEmpty}, {"  \t", IsEmpty}, {"1", IsNumber}, {" 1.5 ", IsNumber}, {"-1.5", IsNumber}, {"+1", IsNumber}, {".5", IsNumber}, {"5.", IsNumber},
		{"1e3", IsNumber}, {"1E-3", IsNumber}, {"1e", IsText}, {"1e+", IsText}, {"e1", IsText}, {"-", IsText}, {".", IsText}, {"1.2.3", IsText}, {"1,5", IsText},
		{"NaN", IsNonFinite}, {"-inf", IsNonFinite}, {"Infinity", IsNonFinite}, {"n/a", IsNonFinite}, {"0x10", IsText}, {"1_000", IsText}, {"12 ms", IsText},
		{strings.Repeat("9", 10_000), IsNumber}, {"0." + strings.Repeat("0", 10_000) + "1", IsNumber}, {"1e999999999999999999999", IsNumber}, {"\x00", IsText},
	} {
		if _, got := Parse([]byte(c.cell), '.'); got != c.want {
			t.Errorf("%.40q is class %d, want %d", c.cell, got, c.want)
		}
	}
}

// Time stamps are subtracted without rounding, whatever their size and decimals.
func TestStampsAreSubtractedExactly(t *testing.T) {
	for _, c := range []struct {
		a, b  string
		shift int
		ms    float64
		dec   int
	}{
		{"1795588296129000007", "1795588296129000008", 6, 0.000001, 6},
		{"1795588296.129000007", "1795588296.129000008", -3, 0.000001, 6},
		{"1795588296.1290000071234567890", "1795588296.1290000081234567890", -3, 0.000001, 16},
		{"9", "10.5", 0, 1.5, 1},
		{"10.25", "9", 0, -1.25, 2},
		{"-5", "5", 0, 10, 0},
		{"-1.5", "-0.25", -3, 1250, -1},
		{"99999999999999999999999999999999999990", "99999999999999999999999999999999999999", 0, 9, 0},
		{"1.7e3", "1.8e3", 0, 100, 0},
	} {
		na, _ := Parse([]byte(c.a), '.')
		nb, _ := Parse([]byte(c.b), '.')
		ms, dec, ok := Between(StampOf(na), StampOf(nb), c.shift)
		if !ok || ms != c.ms || dec != c.dec {
			t.Errorf("%s - %s = %v ms on %d decimals (%v), want %v on %d", c.b, c.a, ms, dec, ok, c.ms, c.dec)
		}
	}
	n, _ := Parse([]byte(strings.Repeat("9", 60)), '.')
	if _, _, ok := Between(StampOf(n), StampOf(n), 0); ok {
		t.Error("60 digits were said to be exact")
	}
}
