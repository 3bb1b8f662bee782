package product_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
)

// gridOf reads a product with another [grid].
func gridOf(t *testing.T, grid string) estimate.Grid {
	t.Helper()
	old := "rows = 2\ncols = 2\nfov_x_deg = 60\nfov_y_deg = 40\nspacing = \"equal-tangent\"\n"
	p, err := product.Read("p.toml", []byte(strings.Replace(good, old, grid, 1)))
	if err != nil {
		t.Fatal(err)
	}
	return p.Setup.Grid
}

// byHand is the signal-weighted mean over an area in tangents, by a plain sum
// over many small patches.
func byHand(p, left, right, top, bottom float64) (ux, uy, sec float64) {
	const n = 400
	var signal, radial float64
	for i := range n {
		for j := range n {
			u, v := left+(right-left)*(float64(i)+0.5)/n, top+(bottom-top)*(float64(j)+0.5)/n
			s := math.Sqrt(1 + u*u + v*v)
			w := math.Pow(1+u*u+v*v, -p/2)
			signal += w
			radial += w * s
			ux += w * s * u
			uy += w * s * v
		}
	}
	return ux / radial, uy / radial, radial / signal
}

// Zones divide the field in equal tangents or equal angles; what a zone sees
// is the mean over its area. Row 0 is the top, column 0 the left.
func TestField(t *testing.T) {
	tan := func(deg float64) float64 { return math.Tan(deg * math.Pi / 180) }
	third := 2 * tan(30) / 3
	for _, c := range []struct {
		spacing string
		more    string
		p       float64
		xs, ys  []float64 // edges
	}{
		{"equal-tangent", "", 7, []float64{-tan(30), -third / 2, third / 2, tan(30)}, []float64{-tan(20), 0, tan(20)}},
		{"equal-angle", "", 7, []float64{-tan(30), -tan(10), tan(10), tan(30)}, []float64{-tan(20), 0, tan(20)}},
		{"equal-angle", "falloff_power = 4.5\n", 4.5, []float64{-tan(30), -tan(10), tan(10), tan(30)}, []float64{-tan(20), 0, tan(20)}},
	} {
		g := gridOf(t, "rows = 2\ncols = 3\nfov_x_deg = 60\nfov_y_deg = 40\nspacing = \""+c.spacing+"\"\n"+c.more)
		for z := range 6 {
			row, col := z/3, z%3
			ux, uy, sec := byHand(c.p, c.xs[col], c.xs[col+1], c.ys[row], c.ys[row+1])
			_, _, wide := byHand(c.p-1, c.xs[col], c.xs[col+1], c.ys[row], c.ys[row+1])
			_, _, narrow := byHand(c.p+1, c.xs[col], c.xs[col+1], c.ys[row], c.ys[row+1])
			// The sum by hand is good to a few 1e-7 with patches this small.
			for what, d := range map[string]float64{"ux": g.Ux[z] - ux, "uy": g.Uy[z] - uy, "ratio": g.Sec[z] - sec, "doubt": g.SecU[z] - (wide-narrow)/2} {
				if math.Abs(d) > 1e-6 {
					t.Errorf("%s %s zone %d: %s off by %g", c.spacing, c.more, z, what, d)
				}
			}
			if !(g.SecU[z] > 1e-4) {
				t.Errorf("%s zone %d: doubt %g, want above 0: more falloff draws the mean inwards", c.spacing, z, g.SecU[z])
			}
		}
	}
	// A single zone about the axis looks straight ahead, and sees a plane
	// farther away than the middle does.
	g := gridOf(t, "rows = 1\ncols = 1\nfov_x_deg = 40\nfov_y_deg = 40\nspacing = \"equal-tangent\"\n")
	if math.Hypot(g.Ux[0], g.Uy[0]) > 1e-15 || g.Sec[0] < 1.03 {
		t.Errorf("one zone of 40°: direction %g, %g, ratio %g", g.Ux[0], g.Uy[0], g.Sec[0])
	}
	// Nearly 180°, where tangents are large: with p = 7 a plane that has no
	// end has the mean 5/4 (the integral of s^-5 over that of s^-7, in
	// closed form, s from 1 to infinity by the ring s·ds).
	g = gridOf(t, "rows = 1\ncols = 1\nfov_x_deg = 169\nfov_y_deg = 169\nspacing = \"equal-tangent\"\n")
	if math.Abs(g.Sec[0]-1.25) > 1e-4 {
		t.Errorf("a field of 169°: ratio %g, want 1.25", g.Sec[0])
	}
}

// Directions that are given are effective ones and stand as they are.
func TestDirections(t *testing.T) {
	g := gridOf(t, "rows = 1\ncols = 2\nux = [-0.25, 0.25]\nuy = [0, 0.125]\n")
	if g.Ux[0] != -0.25 || g.Ux[1] != 0.25 || g.Uy[0] != 0 || g.Uy[1] != 0.125 || g.Sec != nil || g.SecU != nil {
		t.Errorf("directions as given became %+v", g)
	}
}

// The unweighted means of a reference table (recomputed there, independently
// of this project).
func TestFieldAgainstTable(t *testing.T) {
	f, err := os.Open("../../testdata/optics/19c_zone_average.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	num := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, r := range rows[1:] {
		n, fov := r[1], r[2]
		g := gridOf(t, "rows = "+n+"\ncols = "+n+"\nfov_x_deg = "+fov+"\nfov_y_deg = "+fov+"\nspacing = \"equal-tangent\"\nfalloff_power = 0\n")
		z := int(num(r[3])*num(n) + num(r[4]))
		// Ten digits are printed; the table itself is a sum over patches.
		if want := num(r[6]); math.Abs(g.Sec[z]-want) > 2e-7 {
			t.Errorf("%s: %.10g, table %.10g", r[0], g.Sec[z], want)
		}
	}
	if len(rows) < 5 {
		t.Errorf("%d rows in the table", len(rows))
	}
}
