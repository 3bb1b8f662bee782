package export_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"example.org/panecal/store"
	"example.org/panecal/store/export"
	"example.org/panecal/store/record"
)

func attemptAt(t testing.TB, f *store.Follower, r *store.Row) *record.Attempt {
	t.Helper()
	e, err := f.At(r.Generation, r.Sequence)
	if err != nil {
		t.Fatal(err)
	}
	return e.Body.(*record.Attempt)
}

func zoneTable(t testing.TB, f *store.Follower, format export.Format) []byte {
	t.Helper()
	var b bytes.Buffer
	w, err := export.NewZoneWriter(&b, format)
	if err != nil {
		t.Fatal(err)
	}
	zonesOf(t, f, w.Write)
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// linesOf reads a CSV with the standard library, a map a line.
func linesOf(t testing.TB, data []byte) (rows []map[string]string) {
	t.Helper()
	all, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range all[1:] {
		row := map[string]string{}
		for i, v := range line {
			row[all[0][i]] = v
		}
		rows = append(rows, row)
	}
	return rows
}

// A row a zone says what the record of the attempt says of the zone.
func TestZonesAreTheRecords(t *testing.T) {
	f := first(t)
	data := zoneTable(t, f, export.CSV)
	want := head + "row column leakage.max leakage.max_u ambient.max ambient.max_u rate.max rate.max_u verify.error verify.error_u verify.error_far verify.error_far_u signal.min signal.min_u range_mm range_mm_u offset_mm offset_mm_u leakage_distance_mm ambient_bin flags"
	if names, _, _ := bytes.Cut(data, []byte("\n")); strings.ReplaceAll(string(names), ",", " ") != want {
		t.Errorf("columns %s", names)
	}
	rows, n := linesOf(t, data), 0
	number := func(text string) float64 {
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return math.NaN()
		}
		return v
	}
	same := func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }
	err := f.Attempts(store.Filter{}, nil, func(r *store.Row) error {
		a := attemptAt(t, f, r)
		for z := range a.Zones.Rows * a.Zones.Cols {
			got := rows[n]
			n++
			if got["serial"] != r.Serial || got["sequence"] != strconv.FormatUint(r.Sequence, 10) || got["row"] != strconv.Itoa(z/a.Zones.Cols) || got["column"] != strconv.Itoa(z%a.Zones.Cols) {
				t.Fatalf("line %d is %s of %s, want zone %d of record %d", n, got["row"]+"/"+got["column"], got["serial"], z, r.Sequence)
			}
			for name, list := range map[string][]float64{"leakage.max": a.Zones.Leakage, "leakage.max_u": a.Zones.LeakageU, "offset_mm": a.Zones.OffsetMM, "range_mm_u": a.Zones.RangeUMM, "ambient_bin": a.Zones.Ambient} {
				want := math.NaN()
				if z < len(list) && (len(a.Zones.Flags) <= z || len(a.Zones.Flags[z]) == 0 || !strings.HasPrefix(name, "leakage.max")) {
					want = list[z]
				}
				if !same(number(got[name]), want) {
					t.Errorf("record %d, zone %d: %s is %s, want %v", r.Sequence, z, name, got[name], want)
				}
			}
		}
		return nil
	})
	if err != nil || n != len(rows) || n < 54 {
		t.Errorf("%d rows for %d zones: %v", len(rows), n, err)
	}
	if lines := bytes.Count(zoneTable(t, f, export.JSONL), []byte("\n")); lines != n {
		t.Errorf("%d lines of JSON for %d zones", lines, n)
	}
}

// names lists what is in a folder, and below it.
func names(t *testing.T, dir string) (list []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(p string, d os.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			rel, _ := filepath.Rel(dir, p)
			list = append(list, filepath.ToSlash(rel))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// A folder has a folder for each day of UTC, and its own name only when it is whole.
func TestFolder(t *testing.T) {
	base := t.TempDir()
	dir := filepath.Join(base, "days")
	at := func(text string) time.Time {
		v, err := time.Parse(time.RFC3339, text)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	fill := func(f *export.Folder[store.Row]) {
		t.Helper()
		// One hour east of UTC the third is of the day before; then the clock was put back.
		for _, text := range []string{"2026-11-26T23:59:59.9Z", "2026-11-27T00:00:00Z", "2026-11-27T00:30:00+01:00", "2026-11-27T08:00:00Z", "1969-12-31T23:00:00Z"} {
			r := row()
			r.Time = at(text)
			if err := f.Write(r.Time, r); err != nil {
				t.Fatal(err)
			}
		}
	}
	begin := func() *export.Folder[store.Row] {
		t.Helper()
		f, err := export.NewFolder(dir, export.CSV, export.NewWriter)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	f := begin()
	fill(f)
	if _, err := os.Stat(dir); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the folder has its name before it is whole: %v", err)
	}
	if err := f.Close(); err != nil || len(names(t, base)) != 0 {
		t.Errorf("given up, it leaves %v: %v", names(t, base), err)
	}
	f = begin()
	fill(f)
	if err := errors.Join(f.Add("_units.csv", export.WriteUnits), f.Finish(), f.Close()); err != nil {
		t.Fatal(err)
	}
	want := "_units.csv day=1969-12-31/part-0.csv day=2026-11-26/part-0.csv day=2026-11-26/part-1.csv day=2026-11-27/part-0.csv day=2026-11-27/part-1.csv"
	if got := strings.Join(names(t, dir), " "); got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
	if got := len(names(t, base)); got != 6 {
		t.Errorf("%d files stay in all: %v", got, names(t, base))
	}
	if _, err := export.NewFolder(dir, export.CSV, export.NewWriter); err == nil || !strings.Contains(err.Error(), "not empty") {
		t.Errorf("over another one: %v", err)
	}
	if _, err := export.NewFolder(filepath.Join(dir, "_units.csv"), export.CSV, export.NewWriter); err == nil {
		t.Error("a file is taken for a folder")
	}
}
