package link

import (
	"testing"

	"golang.org/x/sys/unix"
)

// TestLockOutlivedByAChild: a port that was let go is free, although a child
// that is just being started still has the lock's file open.
func TestLockOutlivedByAChild(t *testing.T) {
	dir := t.TempDir()
	first, err := takeLock(dir, "port")
	if err != nil {
		t.Fatal(err)
	}
	child, err := unix.Dup(int(first.f.Fd()))
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(child)
	if _, err := takeLock(dir, "port"); err == nil {
		t.Error("two hold the port")
	}
	first.release()
	second, err := takeLock(dir, "port")
	if err != nil {
		t.Fatal(err)
	}
	second.release()
}
