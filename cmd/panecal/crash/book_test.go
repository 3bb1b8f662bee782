package crash_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"testing"

	"example.org/panecal/cmd/panecal/crash"
	"example.org/panecal/station/runner"
)

// TestFilesAreBounded: a fault that comes again and again leaves a bounded number of
// files, somewhere else where the folder takes none, and never stops anybody.
func TestFilesAreBounded(t *testing.T) {
	folder, other := filepath.Join(t.TempDir(), "data"), t.TempDir()
	if err := os.Mkdir(folder, 0o750); err != nil {
		t.Fatal(err)
	}
	t.Setenv("TMPDIR", other)
	c := crash.New(folder, "test")
	if c.Err() != nil {
		t.Error("something was caught")
	}
	for i := range 2 * crash.Most {
		err := c.Guard(func() error { panic(fmt.Sprint("bug ", i)) })
		if !errors.Is(err, runner.ErrInternal) {
			t.Errorf("returned %v", err)
		}
	}
	files, _ := filepath.Glob(filepath.Join(folder, "crash-*.txt"))
	if len(files) != crash.Most || !strings.Contains(c.Err().Error(), "bug 0, and 39 more") {
		t.Errorf("%d files, %v", len(files), c.Err())
	}
	for _, name := range files {
		if i, err := os.Stat(name); err != nil || runtime.GOOS != "windows" && i.Mode().Perm()&0o027 != 0 {
			t.Errorf("%s: %v, %v", name, i.Mode(), err)
		}
	}

	gone := crash.New(filepath.Join(folder, "none"), "test")
	gone.Caught("bug", debug.Stack())
	files, _ = filepath.Glob(filepath.Join(other, "crash-*.txt"))
	if len(files) != 1 || !strings.Contains(gone.Err().Error(), files[0]) {
		t.Errorf("%v, %v", files, gone.Err())
	}
	if err := gone.Guard(func() error { return os.ErrExist }); err != os.ErrExist {
		t.Errorf("returned %v", err)
	}
}
