package export_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store"
	"example.org/panecal/store/export"
	"example.org/panecal/store/query"
)

var update = flag.Bool("update", false, "write the golden files")

// first opens a copy of the committed store.
func first(t testing.TB) *store.Follower {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "first")
	if err := os.CopyFS(dir, os.DirFS("../../testdata/first-store/store")); err != nil {
		t.Fatal(err)
	}
	f, err := store.Follow(dir, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

func table(t testing.TB, f *store.Follower, format export.Format) []byte {
	t.Helper()
	var b bytes.Buffer
	w, err := export.NewWriter(&b, format)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(f.Attempts(store.Filter{}, store.AllQuantities(), w.Write), w.Flush()); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// grown says that a table is what it was, but for columns at its end.
func grown(got, was []byte) bool {
	now, then := bytes.Split(got, []byte("\n")), bytes.Split(was, []byte("\n"))
	if len(now) < len(then) || len(now) > len(then) && !bytes.HasPrefix(got, []byte("column,")) {
		return false
	}
	for i, line := range then {
		rest, same := bytes.CutPrefix(now[i], bytes.TrimSuffix(line, []byte("}")))
		last := i == len(then)-1 // empty, after the last line's end
		if !same || !last && len(rest) > 0 && rest[0] != ',' && string(rest) != "}" {
			return false
		}
	}
	return true
}

// What other programs read stays what it is, column for column; new quantities
// come at the end.
func TestGolden(t *testing.T) {
	f := first(t)
	var units bytes.Buffer
	if err := export.WriteUnits(&units); err != nil {
		t.Fatal(err)
	}
	for name, got := range map[string][]byte{
		"first.csv":   table(t, f, export.CSV),
		"first.jsonl": table(t, f, export.JSONL),
		"units.csv":   units.Bytes(),
	} {
		path := filepath.Join("testdata", name)
		if *update {
			if err := os.WriteFile(path, got, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if !grown(got, want) {
			t.Errorf("%s: another table; -update writes it, if it was meant to change", name)
		}
	}
}

// The columns in their order, as far as they are no quantities.
const head = "serial attempt time outcome soft_bin hard_bin disposition released purpose product limits nest sequence generation station operator order window_lot gasket_lot emitter_lot "

// rowsOf reads a CSV with the standard library.
func rowsOf(t testing.TB, data []byte) (rows []map[string]string) {
	t.Helper()
	all, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if names := strings.Join(all[0], " "); !strings.HasPrefix(names, head+"leakage.max leakage.max_u leakage.max_high0 leakage.max_high1 leakage.max_high2 leakage.max_high3 leakage.max_low0 leakage.max_low1 leakage.max_low2 leakage.max_low3 leakage.total leakage.total_u ") ||
		len(all[0]) != 20+quantity.Columns {
		t.Errorf("%d columns: %s", len(all[0]), names)
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

// The table says what the history of each unit says, and both forms say the same.
func TestTableIsTheHistory(t *testing.T) {
	f := first(t)
	rows := rowsOf(t, table(t, f, export.CSV))
	lines := bytes.Split(bytes.TrimSpace(table(t, f, export.JSONL)), []byte("\n"))
	if len(rows) != 9 || len(lines) != len(rows) {
		t.Fatalf("%d rows, %d lines, want 9", len(rows), len(lines))
	}
	for i, row := range rows {
		h, err := query.History(f, row["serial"])
		if err != nil {
			t.Fatal(err)
		}
		found := false
		for _, a := range h.Attempts {
			if strconv.FormatUint(a.Record.Sequence, 10) != row["sequence"] {
				continue
			}
			found = true
			compare(t, row, a)
		}
		if !found {
			t.Errorf("the history of %s has no record %s", row["serial"], row["sequence"])
		}
		var object map[string]any
		d := json.NewDecoder(bytes.NewReader(lines[i]))
		d.UseNumber()
		if err := d.Decode(&object); err != nil {
			t.Fatal(err)
		}
		for name, text := range row {
			v, ok := object[name]
			if !ok || v == nil && text != "" || v != nil && fmt.Sprint(v) != text {
				t.Errorf("record %s, %s: %v in JSON, %q in CSV", row["sequence"], name, v, text)
			}
		}
		if len(object) != len(row) {
			t.Errorf("%d keys, %d columns", len(object), len(row))
		}
	}
}

func compare(t *testing.T, row map[string]string, a query.Attempt) {
	t.Helper()
	for name, want := range map[string]any{
		"attempt": a.AttemptNo, "time": a.Time.UTC().Format(time.RFC3339Nano), "outcome": a.Outcome, "soft_bin": a.SoftBin, "hard_bin": a.HardBin,
		"disposition": a.Disposition, "purpose": a.Purpose, "product": a.Product.Name, "limits": a.Limits.Rev, "nest": a.Nest,
		"generation": a.Record.Generation, "station": a.Record.Station, "operator": a.Operator, "order": a.WorkOrder,
		"window_lot": a.WindowLot, "gasket_lot": a.GasketLot, "emitter_lot": a.EmitterLot,
	} {
		if row[name] != fmt.Sprint(want) {
			t.Errorf("record %s, %s: %q, want %v", row["sequence"], name, row[name], want)
		}
	}
	same := func(name string, want float64) {
		got, err := strconv.ParseFloat(row[name], 64)
		if math.IsNaN(want) || math.IsInf(want, 0) {
			if row[name] != "" {
				t.Errorf("record %s, %s: %q, want nothing", row["sequence"], name, row[name])
			}
		} else if err != nil || got != want {
			t.Errorf("record %s, %s: %q, want %v", row["sequence"], name, row[name], want)
		}
	}
	for _, d := range quantity.All() {
		name := string(d.Name)
		q, ok := a.Quantities[name]
		if !ok {
			same(name, math.NaN())
			same(name+"_u", math.NaN())
			continue
		}
		same(name, float64(q.Value))
		same(name+"_u", float64(q.U))
		for k := range 4 {
			high, low := math.Inf(-1), math.Inf(1)
			for _, z := range q.Zones {
				// A flagged zone has no value; one without u counts as exact.
				v, u := float64(z.Value), float64(z.U)
				if math.IsNaN(u) {
					u = 0
				}
				if !math.IsNaN(v) {
					high, low = max(high, v+float64(k)*u), min(low, v-float64(k)*u)
				}
			}
			if d.Zoned {
				same(name+"_high"+strconv.Itoa(k), high)
				same(name+"_low"+strconv.Itoa(k), low)
			}
		}
	}
}

// A unit is released by the attempt whose release nothing took back.
func TestReleased(t *testing.T) {
	var got []string
	for _, r := range rowsOf(t, table(t, first(t), export.CSV)) {
		if r["released"] == "true" {
			got = append(got, r["serial"]+"/"+r["attempt"])
		}
	}
	// The second attempt of H54-00001-O passed; then its label was found on another unit.
	if want := "H54-00001-O/1 H54-00004-I/1 H1-00001-F/1"; strings.Join(got, " ") != want {
		t.Errorf("released: %v, want %s", got, want)
	}
}

func row() *store.Row {
	q := make(quantity.Row, quantity.Columns)
	for i := range q {
		q[i] = math.NaN()
	}
	return &store.Row{Time: time.Date(2026, 11, 27, 13, 0, 0, 0, time.UTC), Quantities: q}
}

func written(t testing.TB, f export.Format, r *store.Row) []byte {
	t.Helper()
	var b bytes.Buffer
	w, err := export.NewWriter(&b, f)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(w.Write(r), w.Flush()); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// Text from outside does nothing in a terminal and nothing in a spreadsheet.
func TestHostileText(t *testing.T) {
	for _, c := range []struct{ text, csv, json string }{
		{`=HYPERLINK("http://x","y")`, `'=HYPERLINK("http://x","y")`, ""},
		{"+1", "'+1", ""}, {"-1", "'-1", ""}, {"@SUM(A1)", "'@SUM(A1)", ""},
		{"\t=1", `<09>=1`, ""}, {"\r\n=1", `<0D><0A>=1`, ""},
		{`a,b "c"`, `a,b "c"`, ""}, {" padded ", " padded ", ""},
		{"\x1b[2J", `<1B>[2J`, ""}, {"\u009b2J", `<U+009B>2J`, ""}, {"\x9b2J", "<9B>2J", "\ufffd2J"},
		{"a\u202eb", `a<U+202E>b`, ""}, {"\U000e0001", `<U+E0001>`, ""}, {"Müller 7", "Müller 7", ""}, {"\x7f\x00", `<7F><00>`, ""},
	} {
		r := row()
		r.Serial, r.Operator, r.EmitterLot = c.text, c.text, c.text
		want := c.json
		if want == "" {
			want = c.text
		}
		asCSV, asJSON := written(t, export.CSV, r), written(t, export.JSONL, r)
		got := rowsOf(t, asCSV)[0]
		var object map[string]any
		if err := json.Unmarshal(asJSON, &object); err != nil {
			t.Fatalf("%q: %v", c.text, err)
		}
		for _, name := range []string{"serial", "operator", "emitter_lot"} {
			if got[name] != c.csv || object[name] != want {
				t.Errorf("%q: %q in CSV, %q in JSON", c.text, got[name], object[name])
			}
		}
		for _, b := range [][]byte{asCSV, asJSON} {
			if i := bytes.IndexFunc(b, func(r rune) bool { return r != '\n' && !unicode.IsPrint(r) }); i >= 0 || bytes.Count(b, []byte("\n")) > 2 {
				t.Errorf("%q gives %q", c.text, b)
			}
		}
	}
}

// Numbers read back to the same bits, and what is no number is nothing.
func TestNumbers(t *testing.T) {
	for _, v := range []float64{0, math.Copysign(0, -1), 0.1, 1e-300, 5e-324, math.MaxFloat64, -1.0 / 3, 1e21, 123456789} {
		r := row()
		r.Quantities[0], r.Quantities[1], r.Quantities[2] = v, math.Inf(1), math.Inf(-1)
		csv := rowsOf(t, written(t, export.CSV, r))[0]
		got, err := strconv.ParseFloat(csv["leakage.max"], 64)
		if err != nil || math.Float64bits(got) != math.Float64bits(v) || csv["leakage.max_u"] != "" || csv["leakage.max_high0"] != "" || csv["temperature"] != "" {
			t.Errorf("%v: %q, infinite %q", v, csv["leakage.max"], csv["leakage.max_u"])
		}
		var object map[string]*float64
		line := written(t, export.JSONL, r)
		line = append([]byte(`{"leakage`), line[bytes.Index(line, []byte(".max\"")):]...) // numbers only
		if err := json.Unmarshal(line, &object); err != nil || math.Float64bits(*object["leakage.max"]) != math.Float64bits(v) || object["leakage.max_u"] != nil {
			t.Errorf("%v: %v, %s", v, err, line)
		}
	}
}

// counter takes a table and keeps nothing of it.
type counter struct{ bytes, largest int }

func (c *counter) Write(b []byte) (int, error) {
	c.bytes += len(b)
	c.largest = max(c.largest, len(b))
	return len(b), nil
}

// However many rows there are, the writer holds back one buffer.
func TestConstantMemory(t *testing.T) {
	const buffer = 64 << 10
	for _, f := range []export.Format{export.CSV, export.JSONL} { // TestParquet has the third
		r := row()
		r.Serial, r.Quantities[0] = "H54-00001-O", 0.1
		text := bytes.TrimSuffix(written(t, f, r), []byte("\n"))
		line := len(text) - bytes.LastIndexByte(text, '\n') // without the names of CSV
		c := &counter{}
		w, err := export.NewWriter(c, f)
		if err != nil {
			t.Fatal(err)
		}
		const rows = 20_000
		for n := 1; n <= rows; n++ {
			if err := w.Write(r); err != nil {
				t.Fatal(err)
			}
			if held := n*line - c.bytes; held > buffer+line {
				t.Fatalf("%s: after %d rows %d bytes are held back", f, n, held)
			}
		}
		if err := w.Flush(); err != nil || c.bytes < rows*line || c.largest > buffer+line {
			t.Errorf("%s: %d bytes of %d rows of %d, %d at once, %v", f, c.bytes, rows, line, c.largest, err)
		}
	}
}

func TestToFile(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.csv")
	only := func(want string) {
		t.Helper()
		files, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		got, _ := os.ReadFile(path) // "" where there is none
		if len(files) > 1 || string(got) != want {
			t.Errorf("%v, %q, want %q alone", files, got, want)
		}
	}
	broken := errors.New("broken")
	part := func(w io.Writer) error {
		_, err := io.WriteString(w, "half")
		return errors.Join(err, broken)
	}
	if err := export.ToFile(path, part); !errors.Is(err, broken) {
		t.Error(err)
	}
	only("")
	for _, text := range []string{"first", "second"} {
		if err := export.ToFile(path, func(w io.Writer) error { _, err := io.WriteString(w, text); return err }); err != nil {
			t.Error(err)
		}
		only(text)
	}
	if err := export.ToFile(path, part); !errors.Is(err, broken) {
		t.Error(err)
	}
	only("second")
	if err := export.ToFile(dir, part); err == nil || errors.Is(err, broken) {
		t.Errorf("a folder was taken for a file: %v", err)
	}
	if err := export.ToFile(filepath.Join(dir, "none", "a.csv"), part); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
}
