package desk_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/pelletier/go-toml/v2"
	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/cmd/panecal/history"
	"example.org/panecal/limits"
	"example.org/panecal/limits/whatif"
	"example.org/panecal/station"
	"example.org/panecal/station/papers"
	"example.org/panecal/station/product"
	"example.org/panecal/store"
)

// past is a store of attempts that never were, made once for all tests here.
var past struct {
	once sync.Once
	dir  string
}

func TestMain(m *testing.M) {
	code := m.Run()
	if past.dir != "" {
		_ = os.RemoveAll(past.dir)
	}
	os.Exit(code)
}

// invented is that store, of 250 attempts.
func invented(t testing.TB) (dir string) {
	t.Helper()
	past.once.Do(func() {
		var err error
		if past.dir, err = os.MkdirTemp("", "panecal-desk-*"); err != nil {
			t.Fatal(err)
		}
		write(t, filepath.Join(past.dir, "store"), 250, 3)
	})
	return filepath.Join(past.dir, "store")
}

// write makes a store of n attempts that never were.
func write(t testing.TB, dir string, n, days int) {
	t.Helper()
	read := func(name string) []byte {
		data, err := os.ReadFile("../sample/" + name)
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	sheet, err := product.ReadSheet("sheet", read("station.sheet.toml"))
	if err != nil {
		t.Fatal(err)
	}
	var files papers.Catalogue
	for _, name := range []string{"hopper-54", "hopper-1"} {
		p, err := product.Read(name, read(name+".product.toml"))
		if err != nil {
			t.Fatal(err)
		}
		l, err := limits.Read(name, read(name+".limits.toml"))
		if err != nil {
			t.Fatal(err)
		}
		f, err := station.NewFiles(p, l, sheet)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, f)
	}
	if _, err := history.Write(t.Context(), history.Options{Store: dir, Station: "S1", Attempts: n, Days: days, Seed: 4, Files: files}); err != nil {
		t.Fatal(err)
	}
}

// ask runs a command of the desk on a store, which it takes as what it reads.
func ask[L any](t testing.TB, dir string, make func(func() (L, error)) *cobra.Command, args ...string) (string, error) {
	t.Helper()
	c := make(func() (L, error) {
		f, err := store.Follow(dir, t.TempDir())
		return any(f).(L), err
	})
	c.SilenceErrors, c.SilenceUsage = true, true
	c.SetFlagErrorFunc(cli.FlagError)
	var out bytes.Buffer
	c.SetOut(&out)
	c.SetErr(&out)
	c.SetArgs(args)
	err := c.ExecuteContext(t.Context())
	return out.String(), err
}

// candidate is the sample with some limits moved.
func candidate(t testing.TB, changes ...string) (path string) {
	t.Helper()
	data, err := os.ReadFile("../sample/hopper-54.limits.toml")
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	for i := 0; i < len(changes); i += 2 {
		if !strings.Contains(text, changes[i]) {
			t.Fatalf("the sample does not say %q", changes[i])
		}
		text = strings.Replace(text, changes[i], changes[i+1], 1)
	}
	path = filepath.Join(t.TempDir(), "next.limits.toml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// again judges the rows of an exported table by a limits file: the bin of each
// attempt by its sequence.
func again(t *testing.T, table, path string) map[string]int {
	t.Helper()
	bins := map[string]int{}
	rejudge(t, strings.NewReader(table), path, func(sequence string, _, bin int) { bins[sequence] = bin })
	return bins
}

// plainLimits is what a limits file says, read with nothing of package limits.
type plainLimits struct {
	Limit map[string]struct {
		Low, High *float64
		LowBin    string `toml:"low_bin"`
		HighBin   string `toml:"high_bin"`
		K         float64
	}
	Bin map[string]struct{ Number, Priority int }
}

func readPlain(t *testing.T, path string) (f plainLimits) {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := toml.Unmarshal(data, &f); err != nil {
		t.Fatal(err)
	}
	return f
}

// bin is the number of a bin, and what comes before it.
func (f *plainLimits) bin(t *testing.T, name string) (number, priority int) {
	t.Helper()
	switch b, ok := f.Bin[name]; {
	case ok:
		return b.Number, b.Priority
	case name == "verify":
		return 91, 1_000_001
	case name == "not_measured":
		return 90, 1_000_002
	}
	t.Fatalf("no bin %q", name)
	return 0, 0
}

// rejudge goes through an exported table, and gives each attempt's bin, and the
// one that it has by the limits file.
func rejudge(t *testing.T, table io.Reader, path string, each func(sequence string, before, after int)) {
	t.Helper()
	f := readPlain(t, path)
	rows := csv.NewReader(table)
	rows.ReuseRecord = true
	first, err := rows.Read()
	if err != nil {
		t.Fatal(err)
	}
	at := map[string]int{}
	for i, name := range first {
		at[name] = i
	}
	for {
		r, err := rows.Read()
		if err == io.EOF {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		text := func(name string) string { return r[at[name]] }
		number := func(name string) float64 {
			v, err := strconv.ParseFloat(text(name), 64)
			if err != nil {
				return math.NaN()
			}
			return v
		}
		was := int(number("soft_bin"))
		if o := text("outcome"); o == "error" || o == "aborted" || was == 92 {
			each(text("sequence"), was, was)
			continue
		}
		best, priority := 1, math.MaxInt
		worse := func(bin string) {
			if number, rank := f.bin(t, bin); rank < priority {
				best, priority = number, rank
			}
		}
		for name, l := range f.Limit {
			if math.IsNaN(number(name)) {
				worse("not_measured")
				continue
			}
			high, low := number(name), number(name)
			if _, zoned := at[name+"_high0"]; zoned {
				high, low = number(fmt.Sprintf("%s_high%g", name, l.K)), number(fmt.Sprintf("%s_low%g", name, l.K))
			} else if u := number(name + "_u"); !math.IsNaN(u) {
				high, low = high+l.K*u, low-l.K*u
			}
			if l.High != nil && high > *l.High {
				worse(l.HighBin)
			}
			if l.Low != nil && low < *l.Low {
				worse(l.LowBin)
			}
		}
		each(text("sequence"), was, best)
	}
}

// What is tried is what the exported table gives when somebody else judges it,
// unit by unit; a guard factor that rows do not keep is judged from the records.
func TestTryIsWhatTheTableSays(t *testing.T) {
	dir := invented(t)
	for name, c := range map[string]struct{ changes, flags []string }{
		"in force":      {nil, nil},
		"tighter":       {[]string{"high = 0.012", "high = 0.005"}, nil},
		"looser":        {[]string{"high = 0.35", "high = 0.5", "high = 1\nhigh_bin = \"seat\"", "high = 9\nhigh_bin = \"seat\""}, []string{"--attempts", "all"}},
		"another guard": {[]string{"k = 2", "k = 0", "high = 680", "high = 630"}, []string{"--nest", "B", "--attempts", "all"}},
	} {
		path := candidate(t, c.changes...)
		flags := append([]string{"--product", "hopper-54"}, c.flags...)
		if !slices.Contains(flags, "--attempts") {
			flags = append(flags, "--attempts", "first")
		}
		table, err := ask(t, dir, desk.NewExport, append([]string{"--format", "csv", "--out", "-"}, flags...)...)
		if err != nil {
			t.Fatal(err)
		}
		text, err := ask(t, dir, desk.NewTry, append([]string{path, "--json"}, c.flags...)...)
		if err != nil {
			t.Fatal(err, text)
		}
		var a struct {
			Schema        string
			Attempts      int
			Before, After struct {
				FirstPass struct{ Value, Lower, Upper float64 } `json:"first_pass"`
				Bins      []whatif.Bin
			}
			Changed     []whatif.Change
			FalseAccept struct{ Value, Lower, Upper *float64 } `json:"false_accept"`
			FalseReject struct{ Value, Lower, Upper *float64 } `json:"false_reject"`
		}
		if err := json.Unmarshal([]byte(text), &a); err != nil {
			t.Fatal(err)
		}
		want := again(t, table, path)
		before := map[string]int{}
		rows, _ := csv.NewReader(strings.NewReader(table)).ReadAll()
		for _, r := range rows[1:] {
			before[r[slices.Index(rows[0], "sequence")]], _ = strconv.Atoi(r[slices.Index(rows[0], "soft_bin")])
		}
		got := map[string]int{}
		for s, b := range before {
			got[s] = b
		}
		for _, c := range a.Changed {
			s := fmt.Sprint(c.Sequence)
			if before[s] != c.From || c.From == c.To {
				t.Errorf("%s: %+v, was in %d", name, c, before[s])
			}
			got[s] = c.To
		}
		if a.Schema != "panecal.try/1" || a.Attempts != len(want) || len(want) < 40 || fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%s: %d attempts, want %d\n%v\n%v", name, a.Attempts, len(want), got, want)
		}
		for _, side := range []struct {
			bins []whatif.Bin
			want map[string]int
		}{{a.Before.Bins, before}, {a.After.Bins, want}} {
			count := map[int]int{}
			for _, b := range side.want {
				count[b]++
			}
			for _, b := range side.bins {
				count[b.SoftBin] -= b.Count
			}
			for bin, off := range count {
				if off != 0 {
					t.Errorf("%s: bin %d is off by %d", name, bin, off)
				}
			}
		}
		if (name == "in force") != (len(a.Changed) == 0) || a.FalseAccept.Value == nil || a.FalseReject.Value == nil || *a.FalseReject.Upper < *a.FalseReject.Value {
			t.Errorf("%s: %d changed, %+v", name, len(a.Changed), a.FalseReject)
		}
		if y := a.After.FirstPass; y.Lower > y.Value || y.Value > y.Upper || name == "looser" && y.Lower == y.Upper {
			t.Errorf("%s: %+v", name, y)
		}
	}
}

// The flags that choose attempts choose those of the export.
func TestTryChoosesAsExport(t *testing.T) {
	dir, path := invented(t), candidate(t)
	for _, flags := range []string{"", "--attempts all", "--lot H54-win-0002", "--lot H54-L0003 --nest A", "--order WO-00002", "--operator op-12", "--purpose check --attempts all",
		"--outcome failed", "--bin dirty_window", "--bin 10", "--station S1", "--station S2", "--since 2026-09-28T06:00:00Z", "--until 2026-09-28T06:00:00Z", "--on-hold --attempts all"} {
		table := append([]string{"--format", "jsonl", "--out", "-", "--product", "hopper-54"}, strings.Fields(flags)...)
		if !strings.Contains(flags, "--attempts") {
			table = append(table, "--attempts", "first")
		}
		rows, err := ask(t, dir, desk.NewExport, table...)
		if err != nil {
			t.Fatal(err)
		}
		text, err := ask(t, dir, desk.NewTry, append([]string{path, "--json", "--sample", "0"}, strings.Fields(flags)...)...)
		if err != nil {
			t.Fatal(err)
		}
		var a struct{ Attempts int }
		if err := json.Unmarshal([]byte(text), &a); err != nil || a.Attempts != strings.Count(rows, "\n") {
			t.Errorf("%s: %d attempts, exported %d, %v", flags, a.Attempts, strings.Count(rows, "\n"), err)
		}
		if a.Attempts == 0 && !strings.Contains(flags, "S2") && !strings.Contains(flags, "on-hold") {
			t.Errorf("%s chooses none", flags)
		}
	}
}

// A guard factor between those that rows keep lies between their answers, and
// that every record was read is said.
func TestTryReadsRecords(t *testing.T) {
	dir := invented(t)
	passing := func(k string) (n int) {
		text, err := ask(t, dir, desk.NewTry, candidate(t, "high = 0.012", "high = 0.0045", "k = 2", "k = "+k), "--json")
		if err != nil {
			t.Fatal(err)
		}
		var a whatif.Answer
		if err := json.Unmarshal([]byte(text), &a); err != nil {
			t.Fatal(err)
		}
		if a.Whole != (k == "20.5") {
			t.Errorf("k %s: whole %v", k, a.Whole)
		}
		for _, b := range a.After.Bins {
			if b.SoftBin == 1 {
				n = b.Count
			}
		}
		return n
	}
	if a, b := passing("3"), passing("20.5"); !(a > b) {
		t.Errorf("%d pass at k 3, %d at 20.5", a, b)
	}
}

func TestTryRefuses(t *testing.T) {
	dir := invented(t)
	bad := filepath.Join(t.TempDir(), "bad.toml")
	if err := os.WriteFile(bad, []byte("product = 3\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{bad}, cli.ExitRunTime, "cannot be used"},
		{[]string{bad + "x"}, cli.ExitRunTime, "no such file"},
		{[]string{candidate(t), "--product", "hopper-1"}, cli.ExitUsage, "the limits are for hopper-54"},
		{[]string{candidate(t), "--sample", "-1"}, cli.ExitUsage, "--sample"},
	} {
		if _, err := ask(t, dir, desk.NewTry, c.args...); err == nil || cli.ExitCode(err) != c.code || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v: %v", c.args, err)
		}
	}
	// Nothing that is picked is an answer too.
	if text, err := ask(t, dir, desk.NewTry, candidate(t), "--nest", "Z", "--json"); err != nil || !strings.Contains(text, `"attempts": 0`) || !strings.Contains(text, `"value": null`) {
		t.Errorf("%s, %v", text, err)
	}
}
