package study

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// reference is a published case of testdata/stats: its file names the source.
type reference struct {
	t         *testing.T
	Published map[string]string
	Inputs    map[string]json.RawMessage
	checked   int
	digits    float64
}

func readReference(t *testing.T, name string) *reference {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/stats/" + name + ".json")
	if err != nil {
		t.Fatal(err)
	}
	r := &reference{t: t, digits: 15}
	if err := json.Unmarshal(raw, r); err != nil {
		t.Fatal(err)
	}
	return r
}

// want holds a number against the printed one.
func (r *reference) want(key string, got, tolerance float64) {
	r.t.Helper()
	want, err := strconv.ParseFloat(r.Published[key], 64)
	if err != nil || !(math.Abs(got-want) <= tolerance) {
		r.t.Errorf("%s: %.10g, printed %q", key, got, r.Published[key])
		return
	}
	r.checked++
	if want != 0 && got != want {
		r.digits = min(r.digits, -math.Log10(math.Abs(got/want-1)))
	}
}

// told says a line of the case, once all of it was looked at.
func (r *reference) told(name string) {
	if r.checked != len(r.Published) {
		r.t.Errorf("%d of %d printed values were looked at", r.checked, len(r.Published))
	}
	r.t.Logf("%s: %d printed values, at least %.1f digits alike", name, r.checked, r.digits)
}

func readReferenceTable(t *testing.T, name string) [][]float64 {
	t.Helper()
	f, err := os.Open("../../testdata/stats/" + name + ".csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil || len(lines) < 2 {
		t.Fatal(name, err)
	}
	var rows [][]float64
	for _, l := range lines[1:] {
		var row []float64
		for _, c := range l {
			v, err := strconv.ParseFloat(c, 64)
			if err != nil {
				t.Fatal(name, err)
			}
			row = append(row, v)
		}
		rows = append(rows, row)
	}
	return rows
}

// Published cases that no command answers by itself, from what the commands are made
// of: summaries, c4, Student's t.
func TestPublishedPieces(t *testing.T) {
	t.Run("shewhart-constants-handbook", func(t *testing.T) {
		r := readReference(t, "shewhart-constants-handbook")
		for _, row := range readReferenceTable(t, "shewhart-constants-handbook") {
			n := int(row[0])
			c, s, root := c4(n), "_n"+strconv.Itoa(n), math.Sqrt(row[0])
			spread := 3 * math.Sqrt(1-c*c)
			const printed = 0.5e-3 + 1e-9
			r.want("A"+s, 3/root, printed)
			r.want("A2"+s, 3/(meanRange(n)*root), printed)
			r.want("A3"+s, 3/(c*root), printed)
			r.want("c4"+s, c, 0.5e-4+1e-9)
			r.want("B3"+s, max(0, 1-spread/c), printed)
			r.want("B4"+s, 1+spread/c, printed)
			r.want("B5"+s, max(0, c-spread), printed)
			r.want("B6"+s, c+spread, printed)
		}
		r.told("shewhart-constants-handbook")
	})
	t.Run("gum-table-g2", func(t *testing.T) {
		r := readReference(t, "gum-table-g2")
		for key := range r.Published {
			var nu string
			p := 0.0
			for _, c := range []struct {
				end string
				p   float64
			}{{"_p95.45", 0.9545}, {"_p95", 0.95}, {"_p99", 0.99}} {
				if n := len(key) - len(c.end); key[n:] == c.end {
					nu, p = key[len("t_"):n], c.p
					break
				}
			}
			// Printed with two decimals; infinite freedom is the normal distribution, with three.
			k, tolerance := distuv.UnitNormal.Quantile((1+p)/2), 0.5e-3
			if nu != "inf" {
				f, err := strconv.ParseFloat(nu[len("nu"):], 64)
				if err != nil {
					t.Fatal(key, err)
				}
				k, tolerance = distuv.StudentsT{Mu: 0, Sigma: 1, Nu: f}.Quantile((1+p)/2), 0.5e-2
			}
			r.want(key, k, tolerance)
		}
		r.told("gum-table-g2")
	})
	t.Run("nist-hb-13517-grubbs", func(t *testing.T) {
		r := readReference(t, "nist-hb-13517-grubbs")
		var x []string
		if err := json.Unmarshal(r.Inputs["x"], &x); err != nil {
			t.Fatal(err)
		}
		var v []float64
		for _, one := range x {
			f, err := strconv.ParseFloat(one, 64)
			if err != nil {
				t.Fatal(err)
			}
			v = append(v, f)
		}
		s, n := Summarize(NewSample(v)), float64(len(v))
		r.want("G", (slices.Max(v)-float64(s.Mean))/float64(s.SD), 1e-4) // printed truncated
		q := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 2}.Quantile(1 - 0.05/n)
		r.want("critical", (n-1)/math.Sqrt(n)*math.Sqrt(q*q/(n-2+q*q)), 0.5e-3)
		r.told("nist-hb-13517-grubbs")
	})
	t.Run("nist-hb-25312-instrument-bias", func(t *testing.T) {
		r := readReference(t, "nist-hb-25312-instrument-bias")
		rows := readReferenceTable(t, "nist-hb-25312-instrument-bias")
		squares := 0.0
		for k, wafer := range []string{"138", "139", "140", "141", "142"} {
			var v []float64
			for _, row := range rows {
				v = append(v, row[1+k])
			}
			s := Summarize(NewSample(v))
			r.want("sd_"+wafer, float64(s.SD), 1.5e-5)
			squares += float64(s.SD) * float64(s.SD)
			for i, row := range rows {
				// The file says why they may differ by one in the last place.
				r.want("bias_"+strconv.Itoa(int(row[0]))+"_"+wafer, v[i]-float64(s.Mean), 1.5e-5)
			}
		}
		r.want("sd_pooled", math.Sqrt(squares/5), 1.5e-5)
		r.told("nist-hb-25312-instrument-bias")
	})
}

// meanRange is d2: the mean range of n standard normal values, by Simpson's rule of
// 1 − Φⁿ − (1 − Φ)ⁿ (L. H. C. Tippett, Biometrika 17 (1925) 364).
func meanRange(n int) float64 {
	const steps, far = 4000, 8.0
	h, sum := 2*far/steps, 0.0
	for i := 0; i <= steps; i++ {
		p := distuv.UnitNormal.CDF(-far + float64(i)*h)
		w := 2.0 + 2*float64(i%2)
		if i == 0 || i == steps {
			w = 1
		}
		sum += w * (1 - math.Pow(p, float64(n)) - math.Pow(1-p, float64(n)))
	}
	return sum * h / 3
}
