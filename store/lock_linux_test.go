package store

import (
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// TestLockOutlivedByAChild: a store that was let go is free, although a child
// that is just being started still has the lock's file open.
func TestLockOutlivedByAChild(t *testing.T) {
	dir := t.TempDir()
	first, err := holdLock(dir, "one", time.Now())
	if err != nil {
		t.Fatal(err)
	}
	child, err := unix.Dup(int(first.f.Fd()))
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(child)
	if _, held, err := heldBy(dir); !held || err != nil {
		t.Errorf("held %v, %v", held, err)
	}
	if err := first.release(); err != nil {
		t.Error(err)
	}
	if _, held, err := heldBy(dir); held || err != nil {
		t.Errorf("let go, and held %v, %v", held, err)
	}
	second, err := holdLock(dir, "two", time.Now())
	if err != nil {
		t.Fatal(err)
	}
	if err := second.release(); err != nil {
		t.Error(err)
	}
}
