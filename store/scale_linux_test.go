package store_test

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"example.org/panecal/store"
	"example.org/panecal/testdata/figures"
)

// counting is a disk that counts the pages that are read of its files.
type counting struct {
	store.Disk
	pages int
}

type countingFile struct {
	store.File
	d *counting
}

func (d *counting) Open(path string) (store.File, error) {
	f, err := d.Disk.Open(path)
	if err != nil {
		return nil, err
	}
	return countingFile{f, d}, nil
}

func (f countingFile) ReadAt(b []byte, at int64) (int, error) {
	const page = 4096
	if len(b) > 0 {
		f.d.pages += int((at+int64(len(b))-1)/page - at/page + 1)
	}
	return f.File.ReadAt(b, at)
}

// pagesOf counts the pages that a question takes of a reader that has none open.
func pagesOf(t *testing.T, dir, serial string) (pages, found int) {
	t.Helper()
	d := &counting{Disk: store.OSDisk()}
	f, err := store.FollowOn(d, dir, "")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	list, err := f.Positions(store.Serial, serial)
	if err != nil {
		t.Fatal(err)
	}
	return d.pages, len(list)
}

// Many segments have few files of the index, and a question reads a few pages of
// each, whether the log knows the answer or not.
func TestFewFilesOfTheIndex(t *testing.T) {
	dir := create(t)
	const starts = 74
	for i := range starts {
		s := open(t, dir)
		if _, err := s.Append(note(fmt.Sprint("S", i), "x")); err != nil {
			t.Fatal(err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	names, err := filepath.Glob(filepath.Join(dir, "*.index"))
	if err != nil || len(names) > 11 { // 64, 8, and those that may follow; segment 1 is empty
		t.Errorf("%d files of %d segments: %v, %v", len(names), starts+1, names, err)
	}
	if !strings.HasSuffix(names[0], "journal-00000001-00000064.index") {
		t.Errorf("the first stands for %s", names[0])
	}
	for serial, want := range map[string]int{"S0": 1, "S63": 1, "S73": 1, "none": 0} {
		// A head and a bucket of each file, a header behind it, the last segment.
		if pages, found := pagesOf(t, dir, serial); found != want || pages > 4*len(names)+12 {
			t.Errorf("%s: %d found, want %d, in %d pages of %d files", serial, found, want, pages, len(names))
		}
	}
	if r := check(t, dir); len(r.Problems) > 0 || len(r.Notes) > 0 {
		t.Errorf("%+v", r)
	}
}

// TestScale measures the whole program on simulated histories of the sizes that
// PANECAL_SCALE names, with the program that PANECAL_PROGRAM names. The histories
// are of two products: four attempts of five are of 54 zones. PANECAL_HISTORY names
// one that exists instead; it is read only, so what writes is not measured on it.
func TestScale(t *testing.T) {
	sizes, program := strings.Fields(os.Getenv("PANECAL_SCALE")), os.Getenv("PANECAL_PROGRAM")
	if made := os.Getenv("PANECAL_HISTORY"); made != "" && program != "" {
		n := 0
		f := follow(t, filepath.Join(made, "store"), "")
		if err := errors.Join(f.Attempts(store.Filter{}, nil, func(*store.Row) error { n++; return nil }), f.Close()); err != nil || n == 0 {
			t.Fatal(n, err)
		}
		scale(t, program, made, n, 0)
		return
	}
	if len(sizes) == 0 || program == "" {
		t.Skip("run by make scale, which takes long: PANECAL_SCALE and PANECAL_PROGRAM are not set")
	}
	least := 0 // pages of a question in the smallest history
	for _, size := range sizes {
		n, err := strconv.Atoi(size)
		if err != nil || n < 1 {
			t.Fatalf("%q is no number of attempts", size)
		}
		least = scale(t, program, "", n, least)
	}
}

// scale measures a history of n attempts: the one that is made, or a new one.
func scale(t *testing.T, program, made string, n, least int) int {
	folder := t.TempDir()
	plant := cmp.Or(made, filepath.Join(folder, "plant"))
	dir := filepath.Join(plant, "store")
	defer os.RemoveAll(folder) // before the next size needs the room
	tell := func(name string, value any, unit, goal string, ok bool) {
		figures.Tell(t, fmt.Sprintf("scale.%d.%s", n, name), value, unit, goal, ok)
	}
	cache := ""
	run := func(args ...string) (out []byte, took time.Duration, anonymous int) {
		t.Helper()
		return measured(t, program, cache, args...)
	}
	seconds := func(name string, took time.Duration, most float64) {
		tell(name, fmt.Sprintf("%.3f", took.Seconds()), "s", fmt.Sprint("<=", most), took.Seconds() <= most)
	}
	memory := func(name string, kb int) {
		tell(name+".anonymous", fmt.Sprintf("%.1f", float64(kb)/1024), "MiB", "<=64", kb <= 64<<10)
	}
	if made == "" {
		_, took, _ := run("sim", "--history", plant, "--attempts", fmt.Sprint(n), "--seed", "1", "--captures", "0")
		tell("history", fmt.Sprintf("%.0f", float64(n)/took.Seconds()), "attempts/s", ">0", true)
	}

	zoned, serial := 0, ""
	f := follow(t, dir, "")
	err := f.Attempts(store.Filter{Product: "hopper-54"}, nil, func(r *store.Row) error {
		if zoned++; zoned == n/3 || serial == "" {
			serial = strings.Clone(r.Serial)
		}
		return nil
	})
	if err != nil || zoned == 0 {
		t.Fatal(zoned, err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	bytesOf := func(dir string) (sum int64) {
		_ = filepath.WalkDir(dir, func(_ string, e os.DirEntry, err error) error {
			if err == nil && !e.IsDir() {
				if i, err := e.Info(); err == nil {
					sum += i.Size()
				}
			}
			return nil
		})
		return sum
	}
	total := bytesOf(dir)
	tell("store.attempt", total/int64(n), "bytes", "<=14000", total/int64(n) <= 14000)
	// All of it charged to the attempts with 54 zones, which is more than they take.
	tell("store.attempt54", total/int64(zoned), "bytes", "<=14000", total/int64(zoned) <= 14000)

	cache = filepath.Join(folder, "first")
	out, took, kb := run("--data", plant, "unit", serial, "--json")
	seconds("first_question", took, 1)
	memory("first_question", kb)
	tell("reader.attempt", float64(bytesOf(cache))/float64(n), "bytes", "<=100", bytesOf(cache) <= 100*int64(n))
	best := time.Hour
	for range 7 {
		_, took, _ := run("--data", plant, "unit", serial)
		best = min(best, took)
	}
	seconds("unit", best, 0.040)
	pages, found := pagesOf(t, dir, serial)
	if found == 0 {
		t.Errorf("nothing found of %s", serial)
	}
	if least == 0 {
		least = pages
	}
	tell("unit.pages", pages, "pages", fmt.Sprint("<=", least), pages <= least)

	_, took, kb = run("--data", plant, "log", "check")
	seconds("log_check", took, 60)
	memory("log_check", kb)
	_, took, kb = run("--data", plant, "log", "check", "--deep")
	seconds("log_check_deep", took, 360)
	memory("log_check_deep", kb)
	_, took, kb = run("--data", plant, "export", "--format", "csv", "--out", filepath.Join(folder, "all.csv"))
	tell("export", fmt.Sprintf("%.0f", float64(n)/took.Seconds()), "attempts/s", ">0", true)
	memory("export", kb)

	if made != "" {
		t.Log("starts, and a log without derived files, are not measured: the history is read only")
		return least
	}
	start := func(name string, most float64) {
		began := time.Now()
		s, err := store.Open(dir, store.Options{Command: "scale"}.OnInvented())
		took := time.Since(began)
		if err != nil {
			t.Fatal(err)
		}
		seconds(name, took, most)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	start("start", 1)
	// As a kill leaves it: what was in memory only is gone.
	newest, err := filepath.Glob(filepath.Join(dir, "*.index"))
	if err != nil || len(newest) == 0 {
		t.Fatal(err)
	}
	if err := os.Remove(newest[len(newest)-1]); err != nil {
		t.Fatal(err)
	}
	start("start_after_kill", 5)

	// As an earlier program left it: without index and columns.
	for _, pattern := range []string{"*.index", "*.columns"} {
		names, err := filepath.Glob(filepath.Join(dir, pattern))
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			if err := os.Remove(name); err != nil {
				t.Fatal(err)
			}
		}
	}
	cache = filepath.Join(folder, "bare")
	again, took, kb := run("--data", plant, "unit", serial, "--json")
	seconds("bare_first_question", took, 300)
	memory("bare_first_question", kb)
	if !bytes.Equal(out, again) || !json.Valid(out) {
		t.Error("without derived files the answer is another one")
	}
	return least
}

// measured runs the program and returns what it printed, how long it took, and the
// most anonymous memory that it was seen to have, in KiB.
func measured(t *testing.T, program, cache string, args ...string) ([]byte, time.Duration, int) {
	t.Helper()
	c := exec.Command(program, args...)
	c.Env = append(os.Environ(), "XDG_CACHE_HOME="+cache)
	var out, talk bytes.Buffer
	c.Stdout, c.Stderr = &out, &talk
	began := time.Now()
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	ended, most := make(chan int), 0
	go func() {
		tick := time.NewTicker(10 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case ended <- most:
				return
			case <-tick.C:
				most = max(most, anonymous(c.Process.Pid))
			}
		}
	}()
	err := c.Wait()
	took := time.Since(began)
	if err != nil {
		t.Fatalf("%v: %v\n%s", args, err, talk.Bytes())
	}
	return out.Bytes(), took, <-ended
}

// anonymous returns a process's anonymous memory in KiB, 0 where it has ended.
func anonymous(pid int) int {
	b, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	for line := range strings.Lines(string(b)) {
		if kb, ok := strings.CutPrefix(line, "RssAnon:"); ok {
			n, _ := strconv.Atoi(strings.Fields(kb)[0])
			return n
		}
	}
	return 0
}
