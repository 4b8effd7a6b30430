package metrics

import (
	"math"
	"math/bits"
	"slices"
)

// The bits of a double that is not negative, read as an integer, order like the double:
// a key. Keys are put into bins of equal relative width, 256 to the octave, so that few
// frames share a bin with a wanted order statistic whatever the frame rate is. What lies
// outside the bins' range is counted at their ends; that costs time, not exactness.
const (
	subBits     = 8
	octaves     = 16
	lowestBin   = (1023 - 4) << subBits // 1/16 ms; the highest is below 4096 ms
	bins        = octaves << subBits
	keyShift    = 52 - subBits
	smallSelect = 24
)

func bin(key uint64) int {
	return min(max(int(key>>keyShift)-lowestBin, 0), bins-1)
}

func ms(key uint64) float64 { return math.Float64frombits(key) }

// placeRank reorders a so that a[r] is what it would be if a were sorted, with nothing
// larger before it and nothing smaller after it (Hoare, "Algorithm 65: find", CACM 4(7),
// 1961). Where the choice of pivots goes wrong for long it sorts the rest instead, so
// that no input takes quadratic time.
func placeRank(a []uint64, r int) {
	lo, hi := 0, len(a)-1
	for budget := 2*bits.Len(uint(len(a))) + 4; hi-lo > smallSelect; budget-- {
		if budget == 0 {
			slices.Sort(a[lo : hi+1])
			return
		}
		i, j := partition(a, lo, hi)
		switch {
		case r <= j:
			hi = j
		case r >= i:
			lo = i
		default:
			return
		}
	}
	insertionSort(a[lo : hi+1])
}

// partition splits a[lo..hi]: nothing up to j is above the pivot, nothing from i is
// below it, and what lies between equals it.
func partition(a []uint64, lo, hi int) (i, j int) {
	pivot := middle(a, lo, hi)
	i, j = lo, hi
	for i <= j {
		for a[i] < pivot {
			i++
		}
		for a[j] > pivot {
			j--
		}
		if i <= j {
			a[i], a[j] = a[j], a[i]
			i++
			j--
		}
	}
	return i, j
}

// middle returns the median of three elements, or of three such medians in a long range.
func middle(a []uint64, lo, hi int) uint64 {
	mid := lo + (hi-lo)/2
	if hi-lo < 256 {
		return middle3(a[lo], a[mid], a[hi])
	}
	s := (hi - lo) / 8
	return middle3(
		middle3(a[lo], a[lo+s], a[lo+2*s]),
		middle3(a[mid-s], a[mid], a[mid+s]),
		middle3(a[hi-2*s], a[hi-s], a[hi]))
}

func middle3(a, b, c uint64) uint64 {
	return max(min(a, b), min(max(a, b), c))
}

func insertionSort(a []uint64) {
	for i := 1; i < len(a); i++ {
		x := a[i]
		j := i
		for ; j > 0 && a[j-1] > x; j-- {
			a[j] = a[j-1]
		}
		a[j] = x
	}
}
