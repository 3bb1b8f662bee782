package hold_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"example.org/panecal/store/hold"
)

func at() time.Time { return time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC) }

func take(t *testing.T, path, command string) *hold.Hold {
	t.Helper()
	h, err := hold.Take(path, 0o640, command, at())
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func TestOneAtATime(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lock")
	if _, held, err := hold.By(path); held || err != nil {
		t.Errorf("a file that is not there is held: %v, %v", held, err)
	}
	h := take(t, path, "panecal one")
	var held *hold.HeldError
	if _, err := hold.Take(path, 0o640, "two", at()); !errors.As(err, &held) || !errors.Is(err, hold.ErrHeld) || held.Holder.Command != "panecal one" || held.Holder.PID != os.Getpid() || !held.Holder.Since.Equal(at()) {
		t.Errorf("taken twice: %v", err)
	}
	if who, ok, err := hold.By(path); !ok || err != nil || who.Command != "panecal one" {
		t.Errorf("held by %v, %v, %v", who, ok, err)
	}
	if err := h.Release(); err != nil {
		t.Fatal(err)
	}
	if who, ok, err := hold.By(path); ok || err != nil {
		t.Errorf("let go, and held by %v, %v", who, err)
	}
	if b, err := os.ReadFile(path); err != nil || len(b) > 0 {
		t.Errorf("it still says %q, %v", b, err)
	}
	if err := take(t, path, "two").Release(); err != nil {
		t.Error(err)
	}
}

// A holder that left no name that can be read is one all the same.
func TestUnnamedHolder(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lock")
	h := take(t, path, "one")
	defer h.Release()
	if err := os.WriteFile(path, []byte("{"), 0o640); err != nil {
		t.Fatal(err)
	}
	if who, ok, err := hold.By(path); !ok || err != nil || who.String() != "an unnamed process" {
		t.Errorf("%q, %v, %v", who, ok, err)
	}
}

func TestWaitsForAWhile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lock")
	h := take(t, path, "one")
	if _, err := hold.Wait(path, 0o640, "two", at, 0); !errors.Is(err, hold.ErrHeld) {
		t.Errorf("without patience: %v", err)
	}
	go h.Release()
	second, err := hold.Wait(path, 0o640, "two", at, time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	if err := second.Release(); err != nil {
		t.Error(err)
	}
}

// A file that was deleted is still held, and is no longer the one at its path.
func TestFileIsToldFromAnother(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lock")
	h := take(t, path, "one")
	defer h.Release()
	same := func() bool {
		name, mine, err := h.File()
		if err != nil {
			t.Fatal(err)
		}
		there, err := os.Stat(name)
		return err == nil && os.SameFile(mine, there)
	}
	if !same() {
		t.Error("another file")
	}
	if err := os.Remove(path); err != nil {
		t.Skip("this system deletes no open file:", err)
	}
	other := take(t, path, "two")
	defer other.Release()
	if same() {
		t.Error("the same file")
	}
}

func Example() {
	dir, err := os.MkdirTemp("", "hold")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "lock")
	h, err := hold.Take(path, 0o640, "panecal shift", time.Now())
	if err != nil {
		fmt.Println(err)
		return
	}
	_, err = hold.Take(path, 0o640, "panecal run", time.Now())
	fmt.Println(errors.Is(err, hold.ErrHeld))
	fmt.Println(h.Release())
	// Output:
	// true
	// <nil>
}
