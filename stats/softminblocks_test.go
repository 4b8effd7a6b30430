package stats

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// The blocks give what the whole matrix gives, solved and inverted by gonum.
func TestArrowEqualsTheWholeMatrix(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for round := range 40 {
		nc, ng, nd := 2+r.IntN(6), 2+r.IntN(6), r.IntN(3)
		var p []SoftMinPoint
		for i := range nc {
			for j := range ng {
				if i%3 == j%3 && r.IntN(5) > 0 { // three blocks, or more where links are missing
					p = append(p, SoftMinPoint{C: i, G: j, D: r.IntN(nd + 1), Y: 50 + 100*r.Float64(), Weight: 0.5 + r.Float64()})
				}
			}
		}
		s := startSoftMin(p, nc, ng, nd, 4)
		for i := range s.a {
			s.a[i] = math.Max(s.a[i], 4)
		}
		for i := range s.b {
			s.b[i] = math.Max(s.b[i], 4)
		}
		h, g := s.normal(p, link(p, nc, ng, 1+nd))
		n := len(g)
		whole := mat.NewSymDense(n, nil)
		for _, v := range p {
			at, d, _ := s.row(v)
			for i := range at {
				for j := i; j < len(at); j++ {
					whole.SetSym(at[i], at[j], whole.At(at[i], at[j])+v.weight()*d[i]*d[j])
				}
			}
		}
		for i := range n {
			whole.SetSym(i, i, whole.At(i, i)+0.1)
		}
		f, ok := h.lifted(func(v float64) float64 { return v + 0.1 }).factor()
		if !ok {
			t.Fatalf("round %d: not factored", round)
		}
		var ch mat.Cholesky
		var want mat.VecDense
		inverted := mat.NewSymDense(n, nil)
		if !ch.Factorize(whole) || ch.SolveVecTo(&want, mat.NewVecDense(n, g)) != nil || ch.InverseTo(inverted) != nil {
			t.Fatalf("round %d: the whole matrix is singular", round)
		}
		got, _ := f.solve(g)
		v := f.inverse()
		for i := range n {
			if math.Abs(got[i]-want.AtVec(i)) > 1e-9 {
				t.Errorf("round %d: x[%d] = %g, want %g", round, i, got[i], want.AtVec(i))
			}
			for j := range n {
				if math.Abs(v.at(i, j)-inverted.At(i, j)) > 1e-9 {
					t.Errorf("round %d: inverse at %d, %d is %g, want %g", round, i, j, v.at(i, j), inverted.At(i, j))
				}
			}
		}
	}
}

// A game in 200 scenes costs what 200 games of one scene cost.
func BenchmarkSoftMinInManyScenes(b *testing.B) {
	const scenes, parts = 200, 8
	r := rand.New(rand.NewPCG(5, 6))
	var p []SoftMinPoint
	for s := range scenes {
		for i := range parts {
			for j := range parts {
				y, _ := SoftMin(90+10*float64(i), 60+20*float64(j), 6)
				p = append(p, SoftMinPoint{C: s*parts + i, G: s*parts + j, Y: y * math.Exp(0.003*r.NormFloat64())})
			}
		}
	}
	for b.Loop() {
		if _, err := FitSoftMin(p, scenes*parts, scenes*parts); err != nil {
			b.Fatal(err)
		}
	}
}
