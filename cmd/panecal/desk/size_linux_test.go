package desk_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"example.org/panecal/limits/whatif"
	"example.org/panecal/testdata/figures"
)

// TestTryAtSize tries limits on a large history with the program as it is built,
// beside the same question asked of the sqlite3 command line, and holds the
// answer against the exported table unit by unit. TestTry does the last at a
// small size in every run.
func TestTryAtSize(t *testing.T) {
	program, dir := os.Getenv("PANECAL_PROGRAM"), os.Getenv("PANECAL_TRY")
	if os.Getenv("PANECAL_TRIED") == "" || program == "" {
		t.Skip("make tries runs it: PANECAL_TRIED says on how many attempts, PANECAL_PROGRAM what is measured")
	}
	folder := t.TempDir()
	if dir == "" {
		dir = filepath.Join(folder, "past")
		if out, err := exec.Command(program, "sim", "--history", dir, "--attempts", os.Getenv("PANECAL_TRIED"), "--seed", "1").CombinedOutput(); err != nil {
			t.Fatalf("making a history: %v\n%s", err, out)
		}
	}
	text, err := os.ReadFile(filepath.Join(dir, "hopper-54.limits.toml"))
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(folder, "next.toml")
	if err := os.WriteFile(path, bytes.Replace(text, []byte("high = 0.012"), []byte("high = 0.01"), 1), 0o600); err != nil {
		t.Fatal(err)
	}
	run := func(args ...string) (out []byte, took, used time.Duration, kb int) {
		t.Helper()
		c := exec.Command(program, append([]string{"--data", dir}, args...)...)
		c.Env = append(os.Environ(), "XDG_CACHE_HOME="+filepath.Join(folder, "cache"))
		return measured(t, c)
	}
	speed := func(name string, value float64, unit, goal string) {
		figures.Tell(t, "try."+name, fmt.Sprintf("%.3f", value), unit, goal, true)
	}
	try := []string{"limits", "try", path, "--json"}
	run(try...) // what readers keep for another time
	forget(t, dir, folder)
	_, cold, _, _ := run(try...)
	warm, used, most := time.Hour, time.Hour, 0
	var out []byte
	for range 5 {
		o, took, cpu, kb := run(try...)
		out, warm, used, most = o, min(warm, took), min(used, cpu), max(most, kb)
	}
	var a whatif.Answer
	if err := json.Unmarshal(out, &a); err != nil {
		t.Fatal(err)
	}
	speed("attempts", float64(a.Attempts), "attempts", ">0")
	speed("cold", cold.Seconds(), "s", "wanted<2")
	speed("warm", warm.Seconds(), "s", "wanted<0.35")
	speed("warm_processor", used.Seconds(), "s", "wanted<0.35")
	figures.Tell(t, "try.anonymous", most/1024, "MiB", "<150", most < 150<<10)

	table := filepath.Join(folder, "a.csv")
	run("export", "--format", "csv", "--out", table, "--product", "hopper-54", "--attempts", "first")
	changed := map[string]whatif.Change{}
	for _, c := range a.Changed {
		changed[fmt.Sprint(c.Sequence)] = c
	}
	f, err := os.Open(table)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	units, differ, bins := 0, 0, map[int]int{}
	rejudge(t, f, path, func(sequence string, before, after int) {
		units++
		bins[after]++
		if c, ok := changed[sequence]; ok != (before != after) || ok && (c.From != before || c.To != after) {
			differ++
		}
	})
	for _, b := range a.After.Bins {
		bins[b.SoftBin] -= b.Count
	}
	figures.Tell(t, "try.units_judged_otherwise", differ, "units", "0", differ == 0 && units == a.Attempts)
	off := 0
	for _, n := range bins {
		off += max(n, -n)
	}
	figures.Tell(t, "try.bins_off", off, "units", "0", off == 0)

	tool, err := exec.LookPath("sqlite3")
	if err != nil {
		t.Skip("sqlite3 is not installed: the same question is not asked of it")
	}
	asked, took := sqlite(t, tool, table, path)
	for _, b := range a.After.Bins {
		asked[b.SoftBin] -= b.Count
	}
	off = 0
	for _, n := range asked {
		off += max(n, -n)
	}
	figures.Tell(t, "try.sqlite_bins_off", off, "units", "0", off == 0)
	speed("sqlite", took.Seconds(), "s", "-")
	speed("times_faster_than_sqlite", took.Seconds()/warm.Seconds(), "times", "wanted>=5")
}

// sqlite asks sqlite3 how many attempts each bin would hold by a limits file, of
// a table that it has taken in with numbers as numbers; the better of two times.
func sqlite(t *testing.T, tool, table, path string) (bins map[int]int, took time.Duration) {
	t.Helper()
	f := readPlain(t, path)
	first, err := exec.Command("head", "-n", "1", table).Output()
	if err != nil {
		t.Fatal(err)
	}
	var columns, values []string
	for _, name := range strings.Split(strings.TrimSpace(string(first)), ",") {
		kind := "TEXT"
		if strings.Contains(name, ".") || slices.Contains([]string{"temperature", "temperature_u"}, name) {
			kind = "REAL"
		}
		columns = append(columns, fmt.Sprintf("%q %s", name, kind))
		values = append(values, fmt.Sprintf("nullif(%q,'')", name))
	}
	base := filepath.Join(t.TempDir(), "a.db")
	ask := func(sql ...string) []byte {
		t.Helper()
		out, err := exec.Command(tool, append([]string{base}, sql...)...).CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		return out
	}
	ask(fmt.Sprintf(".import --csv %q raw", table), "CREATE TABLE a ("+strings.Join(columns, ",")+")", "INSERT INTO a SELECT "+strings.Join(values, ",")+" FROM raw", "DROP TABLE raw", "VACUUM")

	reasons := map[int][]string{} // by priority
	number := map[int]int{}
	add := func(bin, reason string) {
		n, priority := f.bin(t, bin)
		reasons[priority] = append(reasons[priority], reason)
		number[priority] = n
	}
	for name, l := range f.Limit {
		add("not_measured", fmt.Sprintf("%q IS NULL", name))
		high, low := fmt.Sprintf("%q+%g*ifnull(%q,0)", name, l.K, name+"_u"), fmt.Sprintf("%q-%g*ifnull(%q,0)", name, l.K, name+"_u")
		if strings.Contains(string(first), name+"_high0") {
			high, low = fmt.Sprintf("%q", fmt.Sprintf("%s_high%g", name, l.K)), fmt.Sprintf("%q", fmt.Sprintf("%s_low%g", name, l.K))
		}
		if l.High != nil {
			add(l.HighBin, fmt.Sprintf("%s>%v", high, *l.High))
		}
		if l.Low != nil {
			add(l.LowBin, fmt.Sprintf("%s<%v", low, *l.Low))
		}
	}
	sql := "SELECT CASE WHEN outcome IN ('error','aborted') OR soft_bin='92' THEN CAST(soft_bin AS INTEGER)"
	for _, p := range slices.Sorted(maps.Keys(reasons)) {
		sql += fmt.Sprintf(" WHEN %s THEN %d", strings.Join(reasons[p], " OR "), number[p])
	}
	sql += " ELSE 1 END AS bin, count(*) FROM a GROUP BY bin"
	took = time.Hour
	for range 2 {
		began := time.Now()
		out := ask(sql)
		took = min(took, time.Since(began))
		bins = map[int]int{}
		for line := range strings.Lines(string(out)) {
			bin, n, _ := strings.Cut(strings.TrimSpace(line), "|")
			b, _ := strconv.Atoi(bin)
			bins[b], _ = strconv.Atoi(n)
		}
	}
	return bins, took
}

// forget puts files out of the computer's memory.
func forget(t *testing.T, dirs ...string) {
	t.Helper()
	unix.Sync()
	for _, dir := range dirs {
		err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
			if err != nil || !d.Type().IsRegular() {
				return err
			}
			f, err := os.Open(path)
			if err != nil {
				return err
			}
			defer f.Close()
			return unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED)
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}

// measured runs a program: what it printed, how long it took on the clock and of
// the processors, and the most anonymous memory that it was seen to have, in KiB.
func measured(t *testing.T, c *exec.Cmd) (out []byte, took, used time.Duration, kb int) {
	t.Helper()
	var answer, talk bytes.Buffer
	c.Stdout, c.Stderr = &answer, &talk
	began := time.Now()
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan int)
	go func() {
		most := 0
		tick := time.NewTicker(3 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case ended <- most:
				return
			case <-tick.C:
				status, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", c.Process.Pid))
				for line := range strings.Lines(string(status)) {
					if v, ok := strings.CutPrefix(line, "RssAnon:"); ok {
						n, _ := strconv.Atoi(strings.Fields(v)[0])
						most = max(most, n)
					}
				}
			}
		}
	}()
	err := c.Wait()
	took = time.Since(began)
	kb = <-ended
	if err != nil {
		t.Fatalf("%v: %v\n%s", c.Args, err, talk.Bytes())
	}
	return answer.Bytes(), took, c.ProcessState.UserTime() + c.ProcessState.SystemTime(), kb
}
