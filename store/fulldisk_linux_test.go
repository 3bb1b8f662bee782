package store_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Full disks are real: a small file system in memory, mounted by a child
// process that has namespaces of its own for it. It is filled so that n pages
// are left, for every n until a run is clean. What was acknowledged is there,
// the log can be read while nothing fits, and goes on when there is room.
func TestFullDiskCrash(t *testing.T) {
	const mounted = "PANECAL_FULL_DISK"
	if os.Getenv(mounted) == "" {
		c := exec.Command(os.Args[0], "-test.run=^"+t.Name()+"$", "-test.v")
		c.Env = append(os.Environ(), mounted+"="+t.TempDir())
		c.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWUSER | syscall.CLONE_NEWNS,
			UidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getuid(), Size: 1}},
			GidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getgid(), Size: 1}}}
		out, err := c.CombinedOutput()
		if strings.Contains(string(out), "cannot mount") || errors.Is(err, syscall.EPERM) {
			t.Skipf("nothing can be mounted here: %v %s", err, out)
		}
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		t.Logf("%s", out)
		return
	}
	folder := os.Getenv(mounted)
	for n := 0; ; n++ {
		if err := syscall.Mount("none", folder, "tmpfs", 0, "size=1m"); err != nil {
			t.Fatalf("cannot mount: %v", err)
		}
		clean := fillUp(t, folder, n)
		if err := syscall.Unmount(folder, 0); err != nil {
			t.Fatal(err)
		}
		if t.Failed() {
			return
		}
		if clean {
			t.Logf("full at every page from 0 to %d left: no acknowledged record lost, clean then", n)
			return
		}
		if n > 200 {
			t.Fatal("no clean run")
		}
	}
}

// fillUp runs a store on a disk with so many pages left, and says whether all
// went well.
func fillUp(t *testing.T, folder string, pages int) (clean bool) {
	t.Helper()
	dir := filepath.Join(folder, "log")
	if err := store.Create(dir, store.Options{Station: "pane-1", Now: clock()}); err != nil {
		t.Fatal(err)
	}
	s := open(t, dir)
	if _, err := s.Append(note("A", "first")); err != nil {
		t.Fatal(err)
	}
	if _, err := s.BySerial("A"); err != nil {
		t.Fatal(err)
	}
	ballast := leave(t, folder, pages)
	random := rand.New(rand.NewPCG(1, uint64(pages)))
	clean, acked := true, 1
	fail := func(what string, err error) {
		clean = false
		if !errors.Is(err, syscall.ENOSPC) || errors.Is(err, store.ErrDamaged) {
			t.Errorf("%d pages left: %s: %v", pages, what, err)
		}
	}
	unknown := ""
	for i := range 5 {
		counts := make(record.Counts, 4000)
		for j := range counts {
			counts[j] = random.Uint32N(1 << 16)
		}
		if _, err := s.AppendCapture(record.Capture{Name: "empty", Counts: counts}); err != nil {
			fail("capture", err)
		}
		switch _, err := s.Append(note("A", fmt.Sprint(i))); {
		case err == nil:
			acked++
		case errors.Is(err, store.ErrUnknown):
			unknown = fmt.Sprint(i)
			fail("record", err)
		default:
			fail("record", err)
		}
	}
	// What the database cannot take for want of room is told as that.
	if _, err := s.BySerial("A"); err != nil {
		fail("reading", err)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	if unknown != "" {
		if _, err := s.Append(note("A", unknown)); err != nil {
			t.Errorf("%d pages left: settling: %v", pages, err)
		}
		acked++
	}
	if _, err := s.Append(note("A", "end")); err != nil {
		t.Errorf("%d pages left: with room again: %v", pages, err)
	}
	acked++
	if found, err := s.BySerial("A"); err != nil || len(found) != acked {
		t.Errorf("%d pages left: %d records, %d acknowledged, %v", pages, len(found), acked, err)
	}
	if err := s.Close(); err != nil {
		t.Errorf("%d pages left: closing: %v", pages, err)
	}
	if r := check(t, dir); len(r.Problems) > 0 || int(r.Records) != acked {
		t.Errorf("%d pages left: %d records, %d acknowledged, %v", pages, r.Records, acked, r.Problems)
	}
	return clean
}

// leave fills a disk up to so many pages.
func leave(t *testing.T, folder string, pages int) string {
	t.Helper()
	name := filepath.Join(folder, "ballast")
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	size := int64(0)
	for page := make([]byte, 4096); err == nil; size += 4096 {
		_, err = f.Write(page)
	}
	if !errors.Is(err, syscall.ENOSPC) {
		t.Fatal(err)
	}
	if err := f.Truncate(max(0, size-4096-int64(pages)*4096)); err != nil {
		t.Fatal(err)
	}
	return name
}
