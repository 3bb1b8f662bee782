package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/adrg/xdg"
)

// TestPipesInTheWay puts a named pipe in the place of each file of a station, one
// at a time: every command that reads it ends, and says something where it
// cannot do without.
func TestPipesInTheWay(t *testing.T) {
	folder := t.TempDir()
	t.Chdir(folder)
	t.Cleanup(xdg.Reload) // when the environment is as before
	for _, name := range []string{"TMPDIR", "XDG_STATE_HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME"} {
		t.Setenv(name, folder)
	}
	xdg.Reload()
	if code, _ := utter(t, "--data", "d", "init"); code != 0 {
		t.Fatalf("init: exit code %d", code)
	}
	speak(t, filepath.Join("d", "store"))
	if code, _ := utter(t, "--data", "d", "unit", valid); code != 0 {
		t.Fatalf("unit: exit code %d", code)
	}
	paths := []string{filepath.Join("d", "store", "rows"), filepath.Join("d", "failed-store.json")}
	err := filepath.WalkDir(folder, func(path string, e fs.DirEntry, err error) error {
		if err == nil && e.Type().IsRegular() {
			paths = append(paths, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(paths) < 12 {
		t.Fatalf("only %q", paths)
	}
	for _, path := range paths {
		aside := path + ".aside"
		if err := os.Rename(path, aside); err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
		if err := syscall.Mkfifo(path, 0o640); err != nil {
			t.Fatal(err)
		}
		for _, args := range [][]string{
			{"unit", valid}, {"log", "check"}, {"doctor"}, {"export", "--format", "csv", "--out", "-"}, {"shift", "--record", "/"},
			{"run", "--port", filepath.Join(folder, "none"), "--label", "H54-00001-A"},
		} {
			ended := make(chan struct{})
			go func() { utter(t, append([]string{"--data", "d"}, args...)...); close(ended) }()
			select {
			case <-ended:
			case <-time.After(30 * time.Second):
				t.Fatalf("panecal %q hangs at a pipe in the place of %s", args, path)
			}
		}
		if err := os.Remove(path); err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
		if err := os.Rename(aside, path); err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
	}
}
