package export_test

import (
	"bytes"
	"math"
	"math/big"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/apache/arrow-go/v18/parquet"
	"github.com/apache/arrow-go/v18/parquet/file"

	"example.org/panecal/store"
	"example.org/panecal/store/export"
)

// totals is what an outside reader finds in a column.
type totals struct {
	rows, known int
	sum         big.Float
}

func (t *totals) add(v float64) {
	t.known++
	t.sum.SetPrec(2000) // exact, so that the order does not matter
	t.sum.Add(&t.sum, big.NewFloat(v))
}

// arrowTotals adds up every number of a Parquet file by Arrow's reader, which shares
// no code with what wrote it.
func arrowTotals(t *testing.T, data []byte, into map[string]*totals) {
	t.Helper()
	f, err := file.NewParquetReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for g := range f.NumRowGroups() {
		group := f.RowGroup(g)
		n := int(group.NumRows())
		for c := range group.NumColumns() {
			name := f.MetaData().Schema.Column(c).Name()
			if into[name] == nil {
				into[name] = &totals{}
			}
			sum := into[name]
			sum.rows += n
			chunk, err := group.Column(c)
			if err != nil {
				t.Fatal(err)
			}
			def := make([]int16, n)
			switch r := chunk.(type) {
			case *file.Float64ColumnChunkReader:
				values := make([]float64, n)
				for r.HasNext() {
					_, k, err := r.ReadBatch(int64(n), values, def, nil)
					if err != nil {
						t.Fatal(err)
					}
					for _, v := range values[:k] {
						sum.add(v)
					}
				}
			case *file.Int64ColumnChunkReader:
				values := make([]int64, n)
				for r.HasNext() {
					_, k, err := r.ReadBatch(int64(n), values, def, nil)
					if err != nil {
						t.Fatal(err)
					}
					for _, v := range values[:k] {
						sum.add(float64(v))
					}
				}
			case *file.ByteArrayColumnChunkReader:
				values := make([]parquet.ByteArray, n)
				for r.HasNext() {
					_, k, err := r.ReadBatch(int64(n), values, def, nil)
					if err != nil {
						t.Fatal(err)
					}
					for _, v := range values[:k] {
						sum.add(float64(len(v)))
					}
				}
			case *file.BooleanColumnChunkReader:
				values := make([]bool, n)
				for r.HasNext() {
					_, k, err := r.ReadBatch(int64(n), values, def, nil)
					if err != nil {
						t.Fatal(err)
					}
					for _, v := range values[:k] {
						if v {
							sum.add(1)
						} else {
							sum.add(0)
						}
					}
				}
			default:
				t.Fatalf("%s: %T", name, r)
			}
		}
	}
}

// csvTotals adds up the same of a CSV, read by the standard library.
func csvTotals(t *testing.T, data []byte) map[string]*totals {
	t.Helper()
	out := map[string]*totals{}
	for _, row := range linesOf(t, data) {
		for name, text := range row {
			if out[name] == nil {
				out[name] = &totals{}
			}
			sum := out[name]
			sum.rows++
			if text == "" {
				continue
			}
			v, err := strconv.ParseFloat(text, 64)
			switch {
			case name == "time" || name == "limits":
				v, err = math.NaN(), nil // another form
			case text == "true" || text == "false":
				v, err = 0, nil
				if text == "true" {
					v = 1
				}
			case err != nil:
				v, err = float64(len(text)), nil
			}
			if err != nil {
				t.Fatal(err)
			}
			if !math.IsNaN(v) {
				sum.add(v)
			}
		}
	}
	return out
}

func sameTotals(t *testing.T, what string, got, want map[string]*totals) {
	t.Helper()
	if len(got) != len(want) {
		t.Errorf("%s: %d columns, want %d", what, len(got), len(want))
	}
	known := 0
	for name, w := range want {
		g := got[name]
		if g == nil || g.rows != w.rows {
			t.Errorf("%s: %s has %+v, want %d rows", what, name, g, w.rows)
			continue
		}
		known += w.known
		if name == "time" || name == "limits" || name == "operator" || name == "order" {
			continue // texts that look like numbers
		}
		if g.known != w.known || g.sum.Cmp(&w.sum) != 0 {
			t.Errorf("%s: %s adds up to %v of %d, want %v of %d", what, name, &g.sum, g.known, &w.sum, w.known)
		}
	}
	if known == 0 {
		t.Errorf("%s: nothing was compared", what)
	}
}

// Arrow's reader (github.com/apache/arrow-go) finds the sums and counts of the CSV in
// the Parquet file: of attempts, of zones, and of a folder with a file a day.
func TestOutsideReader(t *testing.T) {
	f := first(t)
	got := map[string]*totals{}
	arrowTotals(t, table(t, f, export.Parquet), got)
	sameTotals(t, "attempts", got, csvTotals(t, table(t, f, export.CSV)))

	zones := csvTotals(t, zoneTable(t, f, export.CSV))
	got = map[string]*totals{}
	arrowTotals(t, zoneTable(t, f, export.Parquet), got)
	sameTotals(t, "zones", got, zones)

	dir := filepath.Join(t.TempDir(), "zones")
	folder, err := export.NewFolder(dir, export.Parquet, export.NewZoneWriter)
	if err != nil {
		t.Fatal(err)
	}
	zonesOf(t, f, func(z *export.Zone) error { return folder.Write(z.Time, z) })
	if err := folder.Finish(); err != nil {
		t.Fatal(err)
	}
	got = map[string]*totals{}
	parts, err := filepath.Glob(filepath.Join(dir, "day=*", "part-*.parquet"))
	if err != nil || len(parts) == 0 {
		t.Fatalf("%d parts: %v", len(parts), err)
	}
	for _, p := range parts {
		data, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(p, "..") {
			t.Fatal(p)
		}
		arrowTotals(t, data, got)
	}
	sameTotals(t, "folder", got, zones)
}

// zonesOf gives every zone of a log.
func zonesOf(t testing.TB, f *store.Follower, each func(*export.Zone) error) {
	t.Helper()
	err := f.Attempts(store.Filter{}, nil, func(r *store.Row) error {
		return export.Zones(r, attemptAt(t, f, r), each)
	})
	if err != nil {
		t.Fatal(err)
	}
}
