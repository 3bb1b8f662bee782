package cause

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/mat"
)

// Table holds the likelihoods of the findings under each cause.
type Table struct {
	bands       map[Code][]band
	correlation [Findings][Findings]float64
	repeat      vector // standard deviation of a finding from one attempt to the next of the same unit
}

// band is a range of severities of one cause.
type band struct{ mean, sd vector }

// freedom is the degrees of freedom of the likelihoods: heavy tails, because
// real units are like no table.
const freedom = 5

// trust is by how much a likelihood of the table counts, 1 for all of it. Units are
// unlike the simulated ones in ways that the findings share; chosen so that what
// is said with 0.9 is right as often, in simulated worlds that the table does not
// know.
const trust = 0.7

//go:embed likelihoods.csv
var likelihoods string

// Default returns the table that comes with the program.
func Default() (*Table, error) { return ReadTable(strings.NewReader(likelihoods)) }

// Example is one unit of which the cause is known.
type Example struct {
	Code     Code
	Severity float64 // orders the examples of a cause
	Evidence Evidence
	Again    *Evidence // the same unit once more, nothing done to it
	Of       *Population
}

// bandsEach is how many bands of severity a cause has.
const bandsEach = 6

// Learn makes a table of examples, each held against its own population.
func Learn(list []Example) *Table {
	t := &Table{bands: map[Code][]band{}}
	var residuals []vector
	var again [Findings][]float64
	floor := floors()
	for _, code := range Codes() {
		var of []Example
		for _, x := range list {
			if x.Code == code {
				of = append(of, x)
			}
		}
		slices.SortStableFunc(of, func(a, b Example) int { return int(math.Copysign(1, a.Severity-b.Severity)) })
		n := bandsEach
		if code == None {
			n = 1
		}
		for i := range n {
			var in []vector
			for _, x := range of[i*len(of)/n : (i+1)*len(of)/n] {
				in = append(in, x.Of.findings(&x.Evidence))
			}
			if len(in) == 0 {
				continue
			}
			var b band
			for f := range Findings {
				column := make([]float64, 0, len(in))
				for _, v := range in {
					column = append(column, v[f])
				}
				column = known(column)
				b.mean[f], b.sd[f] = moments(column)
				b.sd[f] = max(b.sd[f], floor[f])
			}
			for _, v := range in {
				for f := range v {
					v[f] = (v[f] - b.mean[f]) / b.sd[f]
				}
				residuals = append(residuals, v)
			}
			t.bands[code] = append(t.bands[code], b)
		}
		for _, x := range of {
			if x.Again != nil && code == None {
				a, b := x.Of.findings(&x.Evidence), x.Of.findings(x.Again)
				for f := range a {
					again[f] = append(again[f], (b[f]-a[f])/math.Sqrt2)
				}
			}
		}
	}
	for i := range Findings {
		for j := range Findings {
			t.correlation[i][j] = shrink * correlate(residuals, i, j)
		}
		t.correlation[i][i] = 1
		_, t.repeat[i] = moments(known(again[i]))
		t.repeat[i] = max(t.repeat[i], floor[i])
	}
	return t
}

// shrink holds the correlation away from what is singular.
const shrink = 0.9

// floors are the smallest standard deviations that are believed: what a
// simulation has exactly the same in all units is not so sure in life.
func floors() vector {
	var v vector
	for f := range v {
		v[f] = 0.02
	}
	v[BrokenZones], v[FrameDrift], v[LeakageChange], v[Tail], v[TargetMisfit] = 0.1, 0.004, 0.016, 0.002, 0.25
	v[StrayReturn], v[Offset], v[CheckUnits], v[Verify], v[VerifyZones] = 0.1, 0.5, 0.2, 0.2, 0.1
	return v
}

func moments(v []float64) (mean, sd float64) {
	if len(v) < 2 {
		return 0, 1
	}
	for _, x := range v {
		mean += x / float64(len(v))
	}
	for _, x := range v {
		sd += (x - mean) * (x - mean) / float64(len(v)-1)
	}
	return mean, math.Sqrt(sd)
}

func correlate(v []vector, i, j int) float64 {
	var xy, xx, yy float64
	for _, r := range v {
		x, y := max(-3, min(3, r[i])), max(-3, min(3, r[j]))
		if !math.IsNaN(x) && !math.IsNaN(y) {
			xy, xx, yy = xy+x*y, xx+x*x, yy+y*y
		}
	}
	if xx == 0 || yy == 0 {
		return 0
	}
	return xy / math.Sqrt(xx*yy)
}

// Write writes the table as CSV: a line of means and one of standard
// deviations a band, the correlation, and the noise of a repetition.
func (t *Table) Write(w io.Writer) error {
	c := csv.NewWriter(w)
	line := func(kind string, code Code, band int, v []float64) {
		row := []string{kind, string(code), strconv.Itoa(band)}
		for _, x := range v {
			row = append(row, strconv.FormatFloat(x, 'g', 4, 64))
		}
		_ = c.Write(row) // told by Error
	}
	for _, code := range Codes() {
		for i, b := range t.bands[code] {
			line("mean", code, i, b.mean[:])
			line("sd", code, i, b.sd[:])
		}
	}
	for i := range t.correlation {
		line("correlation", "", i, t.correlation[i][:])
	}
	line("repeat", "", 0, t.repeat[:])
	c.Flush()
	return c.Error()
}

// ReadTable reads what Write wrote.
func ReadTable(r io.Reader) (*Table, error) {
	c := csv.NewReader(r)
	c.FieldsPerRecord = 3 + Findings
	rows, err := c.ReadAll()
	if err != nil {
		return nil, fmt.Errorf("table of likelihoods: %w", err)
	}
	t := &Table{bands: map[Code][]band{}}
	lines := 0
	for n, row := range rows {
		var v vector
		for f := range v {
			if v[f], err = strconv.ParseFloat(row[3+f], 64); err != nil {
				return nil, fmt.Errorf("table of likelihoods, line %d: %w", n+1, err)
			}
		}
		i, err := strconv.Atoi(row[2])
		code := Code(row[1])
		switch {
		case err != nil:
			return nil, fmt.Errorf("table of likelihoods, line %d: %w", n+1, err)
		case row[0] == "mean":
			t.bands[code] = append(t.bands[code], band{mean: v})
		case row[0] == "sd" && i == len(t.bands[code])-1:
			t.bands[code][i].sd = v
		case row[0] == "correlation" && i < Findings:
			t.correlation[i] = v
			lines++
		case row[0] == "repeat":
			t.repeat = v
			lines++
		default:
			return nil, fmt.Errorf("table of likelihoods, line %d: %s %s %d", n+1, row[0], row[1], i)
		}
	}
	for _, code := range Codes() {
		if len(t.bands[code]) == 0 {
			return nil, fmt.Errorf("table of likelihoods: nothing about %s", code)
		}
	}
	if lines != Findings+1 {
		return nil, fmt.Errorf("table of likelihoods: %d lines of correlation and repetition, want %d", lines, Findings+1)
	}
	return t, nil
}

// widened is a band's standard deviations, with what the population spreads
// more than the simulated one.
func (t *Table) widened(b *band, p *Population) vector {
	sd, usual := b.sd, t.bands[None][0].sd
	for f := range sd {
		if more := p.spread[f]*p.spread[f] - usual[f]*usual[f]; more > 0 {
			sd[f] = math.Sqrt(sd[f]*sd[f] + more)
		}
	}
	return sd
}

// logLikelihoods of findings under each cause.
func (t *Table) logLikelihoods(x vector, p *Population) map[Code]float64 {
	var at []int
	for f, v := range x {
		if !math.IsNaN(v) {
			at = append(at, f)
		}
	}
	n := len(at)
	out := map[Code]float64{}
	if n == 0 {
		for _, c := range Codes() {
			out[c] = 0
		}
		return out
	}
	r := mat.NewSymDense(n, nil)
	for i, a := range at {
		for j := i; j < n; j++ {
			r.SetSym(i, j, t.correlation[a][at[j]])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(r) {
		for i := range n { // what is left of the table is not a correlation: take the findings one by one
			for j := i; j < n; j++ {
				r.SetSym(i, j, 0)
			}
			r.SetSym(i, i, 1)
		}
		chol.Factorize(r)
	}
	logDet := chol.LogDet()
	z, solved := mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
	for code, bands := range t.bands {
		terms := make([]float64, len(bands))
		for i := range bands {
			sd := t.widened(&bands[i], p)
			scale := 0.0
			for k, f := range at {
				z.SetVec(k, max(-farthest, min(farthest, (x[f]-bands[i].mean[f])/sd[f])))
				scale += math.Log(sd[f])
			}
			_ = chol.SolveVecTo(solved, z) // only tells of bad condition
			terms[i] = student(mat.Dot(z, solved), float64(n)) - scale - logDet/2
		}
		out[code] = trust * logMean(terms)
	}
	return out
}

// farthest is how many standard deviations off anything counts as.
const farthest = 1e4

// student is the logarithm of the density of a multivariate t at a squared
// distance, but for what all causes have alike.
func student(square, n float64) float64 {
	return -(freedom + n) / 2 * math.Log1p(square/freedom)
}

func logMean(v []float64) float64 {
	top := slices.Max(v)
	sum := 0.0
	for _, x := range v {
		sum += math.Exp(x - top)
	}
	return top + math.Log(sum/float64(len(v)))
}

// alone is the logarithm of one finding's density under a cause.
func (t *Table) alone(f Finding, x float64, code Code, p *Population) float64 {
	bands := t.bands[code]
	terms := make([]float64, len(bands))
	for i := range bands {
		sd := t.widened(&bands[i], p)[f]
		z := max(-farthest, min(farthest, (x-bands[i].mean[f])/sd))
		terms[i] = student(z*z, 1) - math.Log(sd)
	}
	return logMean(terms)
}
