package hold

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// What was let go is free, although a child that is just being started still
// has the file open.
func TestOutlivedByAChild(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lock")
	first, err := Take(path, 0o640, "one", time.Now())
	if err != nil {
		t.Fatal(err)
	}
	child, err := unix.Dup(int(first.f.Fd()))
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(child)
	if _, held, err := By(path); !held || err != nil {
		t.Errorf("held %v, %v", held, err)
	}
	if err := first.Release(); err != nil {
		t.Error(err)
	}
	second, err := Take(path, 0o640, "two", time.Now())
	if err != nil {
		t.Fatal(err)
	}
	if err := second.Release(); err != nil {
		t.Error(err)
	}
}

// A link in a shared folder leads nobody to another file, and a file that may
// only be read is held without a name.
func TestLinksAndForeignFiles(t *testing.T) {
	dir := t.TempDir()
	real, link := filepath.Join(dir, "real"), filepath.Join(dir, "link")
	if err := os.WriteFile(real, []byte("kept"), 0o640); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(real, link); err != nil {
		t.Fatal(err)
	}
	if _, err := Take(link, 0o640, "one", time.Now()); !errors.Is(err, unix.ELOOP) {
		t.Errorf("through a link: %v", err)
	}
	f, err := os.Open(real)
	if err != nil {
		t.Fatal(err)
	}
	if err := try(f); err != nil {
		t.Fatal(err)
	}
	write(f, "one", time.Now())
	if err := (&Hold{f}).Release(); err != nil {
		t.Error(err)
	}
	if b, err := os.ReadFile(real); err != nil || string(b) != "kept" {
		t.Errorf("it says %q, %v", b, err)
	}
}
