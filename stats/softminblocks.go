package stats

import "gonum.org/v1/gonum/mat"

// arrow is the normal matrix of a soft minimum by blocks. Ceilings that no chain of points
// links, those of two presets, say, meet only in what they share: the sharpness and the
// factors D. So the matrix is a diagonal of blocks with a border, and solving it costs what
// its largest blocks cost and not the cube of all ceilings (Golub and Van Loan, Matrix
// Computations, block elimination; the border by its Schur complement).
type arrow struct {
	*linked
	blocks []*mat.SymDense
	border []*mat.Dense // of each block: a row for each of its ceilings, a column for each shared parameter
	corner *mat.SymDense
}

// linked says which block each parameter is in and where; those of the border are in
// block -1.
type linked struct {
	block, place []int
	sizes        []int
	shared       int
}

// link finds the blocks: parameters are numbered ceilings of C, then of G, then the shared.
func link(p []SoftMinPoint, nc, ng, shared int) *linked {
	parent := make([]int, nc+ng)
	for i := range parent {
		parent[i] = i
	}
	root := func(i int) int {
		for parent[i] != i {
			parent[i] = parent[parent[i]]
			i = parent[i]
		}
		return i
	}
	for _, v := range p {
		if a, b := root(v.C), root(nc+v.G); a != b {
			parent[max(a, b)] = min(a, b)
		}
	}
	l := &linked{block: make([]int, nc+ng+shared), place: make([]int, nc+ng+shared), shared: shared}
	number := map[int]int{}
	for i := range parent {
		n, ok := number[root(i)]
		if !ok {
			n = len(l.sizes)
			number[root(i)] = n
			l.sizes = append(l.sizes, 0)
		}
		l.block[i], l.place[i] = n, l.sizes[n]
		l.sizes[n]++
	}
	for i := range shared {
		l.block[nc+ng+i], l.place[nc+ng+i] = -1, i
	}
	return l
}

func (l *linked) zero() *arrow {
	a := &arrow{linked: l, corner: mat.NewSymDense(l.shared, nil)}
	for _, n := range l.sizes {
		a.blocks = append(a.blocks, mat.NewSymDense(n, nil))
		a.border = append(a.border, mat.NewDense(n, l.shared, nil))
	}
	return a
}

// add adds w to the entry at i, j and its mirror.
func (a *arrow) add(i, j int, w float64) {
	x, y := a.place[i], a.place[j]
	switch bi, bj := a.block[i], a.block[j]; {
	case bi < 0 && bj < 0:
		a.corner.SetSym(x, y, a.corner.At(x, y)+w)
	case bi < 0:
		a.border[bj].Set(y, x, a.border[bj].At(y, x)+w)
	case bj < 0:
		a.border[bi].Set(x, y, a.border[bi].At(x, y)+w)
	default:
		a.blocks[bi].SetSym(x, y, a.blocks[bi].At(x, y)+w)
	}
}

// lifted returns the matrix with f of each entry of the diagonal in its place.
func (a *arrow) lifted(f func(float64) float64) *arrow {
	lift := func(m *mat.SymDense) *mat.SymDense {
		n := m.SymmetricDim()
		out := mat.NewSymDense(n, nil)
		out.CopySym(m)
		for i := range n {
			out.SetSym(i, i, f(m.At(i, i)))
		}
		return out
	}
	out := &arrow{linked: a.linked, border: a.border, corner: lift(a.corner)}
	for _, b := range a.blocks {
		out.blocks = append(out.blocks, lift(b))
	}
	return out
}

// factored is an arrow ready to solve with.
type factored struct {
	*arrow
	blocks []mat.Cholesky
	solved []*mat.Dense // block^-1 border
	corner mat.Cholesky // of the border's Schur complement
}

// factor returns false where the matrix is not positive definite.
func (a *arrow) factor() (*factored, bool) {
	f := &factored{arrow: a, blocks: make([]mat.Cholesky, len(a.blocks)), solved: make([]*mat.Dense, len(a.blocks))}
	schur := mat.NewSymDense(a.shared, nil)
	schur.CopySym(a.corner)
	var part mat.Dense
	for n, b := range a.blocks {
		f.solved[n] = new(mat.Dense)
		if !f.blocks[n].Factorize(b) || f.blocks[n].SolveTo(f.solved[n], a.border[n]) != nil {
			return nil, false
		}
		part.Reset()
		part.Mul(a.border[n].T(), f.solved[n])
		for i := range a.shared {
			for j := i; j < a.shared; j++ {
				schur.SetSym(i, j, schur.At(i, j)-part.At(i, j))
			}
		}
	}
	return f, f.corner.Factorize(schur)
}

// solve returns x of matrix x = g.
func (f *factored) solve(g []float64) ([]float64, bool) {
	parts := make([]*mat.VecDense, len(f.sizes))
	for n, size := range f.sizes {
		parts[n] = mat.NewVecDense(size, nil)
	}
	rest := mat.NewVecDense(f.shared, nil)
	for i, v := range g {
		if b := f.block[i]; b < 0 {
			rest.SetVec(f.place[i], v)
		} else {
			parts[b].SetVec(f.place[i], v)
		}
	}
	var in, tip mat.VecDense
	for n := range parts {
		in.Reset()
		in.MulVec(f.solved[n].T(), parts[n])
		rest.SubVec(rest, &in)
	}
	if f.corner.SolveVecTo(&tip, rest) != nil {
		return nil, false
	}
	for n := range parts {
		in.Reset()
		in.MulVec(f.solved[n], &tip)
		if f.blocks[n].SolveVecTo(parts[n], parts[n]) != nil {
			return nil, false
		}
		parts[n].SubVec(parts[n], &in)
	}
	x := make([]float64, len(g))
	for i := range x {
		if b := f.block[i]; b < 0 {
			x[i] = tip.AtVec(f.place[i])
		} else {
			x[i] = parts[b].AtVec(f.place[i])
		}
	}
	return x, true
}

// inverse holds an arrow's inverse as far as it is asked for: a block's own entry, and how
// it leans on the border.
type inverse struct {
	*factored
	blocks []*mat.SymDense
	corner *mat.SymDense
}

// inverse returns nil where there is none.
func (f *factored) inverse() *inverse {
	v := &inverse{factored: f, corner: mat.NewSymDense(f.shared, nil)}
	if f.corner.InverseTo(v.corner) != nil {
		return nil
	}
	for n, size := range f.sizes {
		v.blocks = append(v.blocks, mat.NewSymDense(size, nil))
		if f.blocks[n].InverseTo(v.blocks[n]) != nil {
			return nil
		}
	}
	return v
}

// at returns the entry at i, j of the inverse.
func (v *inverse) at(i, j int) float64 {
	bi, bj := v.block[i], v.block[j]
	if bi < 0 && bj < 0 {
		return v.corner.At(v.place[i], v.place[j])
	}
	if bi < 0 {
		i, j, bi, bj = j, i, bj, bi
	}
	sum := 0.0
	for k := range v.shared {
		lean := v.solved[bi].At(v.place[i], k)
		if bj < 0 {
			sum -= lean * v.corner.At(k, v.place[j])
			continue
		}
		for l := range v.shared {
			sum += lean * v.corner.At(k, l) * v.solved[bj].At(v.place[j], l)
		}
	}
	if bi == bj {
		sum += v.blocks[bi].At(v.place[i], v.place[j])
	}
	return sum
}
