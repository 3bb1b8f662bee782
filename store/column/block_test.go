package column_test

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"example.org/panecal/store/column"
)

func block(t testing.TB, rows int) (data []byte, f []float64, n []int64, s []string) {
	t.Helper()
	rng := rand.New(rand.NewPCG(1, uint64(rows)))
	for i := range rows {
		x := rng.NormFloat64()
		if i%7 == 3 {
			x = math.NaN()
		}
		f = append(f, x)
		n = append(n, rng.Int64()-rng.Int64())
		s = append(s, fmt.Sprint("lot ", i%5))
	}
	if rows > 2 {
		n[0], n[1], s[2], f[0] = math.MinInt64, math.MaxInt64, "", math.Copysign(0, -1)
	}
	b := column.NewBuilder([]byte("about"), rows)
	b.Floats("f", f)
	b.Ints("n", n)
	b.Texts("s", s)
	b.Floats("none", repeat(math.NaN(), rows))
	b.Ints("zero", make([]int64, rows))
	b.Texts("empty", make([]string, rows))
	data, err := b.Bytes()
	if err != nil {
		t.Fatal(err)
	}
	return data, f, n, s
}

func repeat(v float64, n int) []float64 {
	list := make([]float64, n)
	for i := range list {
		list[i] = v
	}
	return list
}

func open(t testing.TB, data []byte) *column.Block {
	t.Helper()
	b, err := column.Open(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestColumnsComeBack(t *testing.T) {
	for _, rows := range []int{0, 1, 2, 3, 640, 8192} {
		t.Run(fmt.Sprint(rows, " rows"), func(t *testing.T) {
			data, f, n, s := block(t, rows)
			b := open(t, data)
			if b.Rows() != rows || string(b.About()) != "about" || !b.Has("f") || b.Has("g") {
				t.Errorf("%d rows about %q", b.Rows(), b.About())
			}
			if err := b.Verify(); err != nil {
				t.Error(err)
			}
			gf, err := b.Floats("f", nil)
			if err != nil {
				t.Fatal(err)
			}
			for i := range f {
				if math.Float64bits(gf[i]) != math.Float64bits(f[i]) {
					t.Fatalf("row %d: %v, not %v", i, gf[i], f[i])
				}
			}
			if gn, err := b.Ints("n", make([]int64, 9000)); err != nil || fmt.Sprint(gn) != fmt.Sprint(n) {
				t.Errorf("%v, %v", gn, err)
			}
			if gs, err := b.Texts("s", nil); err != nil || fmt.Sprint(gs) != fmt.Sprint(s) {
				t.Errorf("%q, %v", gs, err)
			}
			used := []string{"left", "over", "of", "before"}
			if gs, err := b.Texts("empty", used); err != nil || fmt.Sprintf("%q", gs) != fmt.Sprintf("%q", make([]string, rows)) {
				t.Errorf("%q, %v", gs, err)
			}
			if gf, err := b.Floats("none", nil); err != nil || rows > 0 && !math.IsNaN(gf[rows-1]) {
				t.Errorf("%v, %v", gf, err)
			}
			if gn, err := b.Ints("zero", []int64{1, 2, 3}); err != nil || rows > 0 && gn[0] != 0 {
				t.Errorf("%v, %v", gn, err)
			}
			if _, err := b.Ints("f", nil); !errors.Is(err, column.ErrNoColumn) {
				t.Errorf("numbers as whole ones: %v", err)
			}
		})
	}
}

// Every flipped bit, and every cut, is found.
func TestDamageIsFound(t *testing.T) {
	data, _, _, _ := block(t, 20)
	whole := func(data []byte) error {
		b, err := column.Open(bytes.NewReader(data), int64(len(data)))
		if err != nil {
			return err
		}
		return b.Verify()
	}
	for i := range 8 * len(data) {
		bad := bytes.Clone(data)
		bad[i/8] ^= 1 << (i % 8)
		if err := whole(bad); !errors.Is(err, column.ErrDamaged) {
			t.Fatalf("bit %d: %v", i, err)
		}
	}
	for n := range len(data) {
		if err := whole(data[:n]); !errors.Is(err, column.ErrDamaged) {
			t.Fatalf("cut to %d bytes: %v", n, err)
		}
	}
	if err := whole(append(bytes.Clone(data), 0)); !errors.Is(err, column.ErrDamaged) {
		t.Errorf("a byte more: %v", err)
	}
}

// Numbers of one size take few bytes: of the eight, the one with sign and
// exponent is much the same in all rows, and the other seven may be noise.
func TestNumbersAreSmall(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	v := make([]float64, 8192)
	for i := range v {
		v[i] = 0.01 * (1 + 0.1*rng.NormFloat64())
	}
	b := column.NewBuilder(nil, len(v))
	b.Floats("v", v)
	data, err := b.Bytes()
	if err != nil {
		t.Fatal(err)
	}
	if each := float64(len(data)) / float64(len(v)); each > 7.2 {
		t.Errorf("%.2f bytes a number", each)
	}
}

func FuzzOpen(f *testing.F) {
	data, _, _, _ := block(f, 20)
	f.Add(data)
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := column.Open(bytes.NewReader(data), int64(len(data)))
		if err != nil {
			return
		}
		_ = b.Verify() // no panic, bounded memory
		_, _ = b.Floats("f", nil)
		_, _ = b.Ints("n", nil)
		_, _ = b.Texts("s", nil)
	})
}

func ExampleBuilder() {
	b := column.NewBuilder([]byte("two attempts"), 2)
	b.Floats("offset.mean", []float64{1.25, -0.5})
	b.Texts("lot", []string{"L1", "L1"})
	data, err := b.Bytes()
	if err != nil {
		fmt.Println(err)
		return
	}
	block, err := column.Open(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		fmt.Println(err)
		return
	}
	v, err := block.Floats("offset.mean", nil)
	fmt.Println(v, err)
	// Output: [1.25 -0.5] <nil>
}
