package link_test

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"

	"example.org/panecal/protocol/link"
)

// TestNoTerminalIsTakenOver: a unit's pseudo-terminal goes, and a person's new
// terminal gets its number. It is not opened: its settings stay, nothing is written
// to it. When the person has left and a unit is there again, it is.
func TestNoTerminalIsTakenOver(t *testing.T) {
	ports := new(link.Ports)
	opt := link.Options{Baud: 921_600, LockDir: t.TempDir(), Ports: ports}
	far, near, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	name := near.Name()
	l, err := link.Open(t.Context(), name, opt)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(l.Close(), near.Close(), far.Close()); err != nil {
		t.Fatal(err)
	}

	far, near = sameNumber(t, name)
	before, err := unix.IoctlGetTermios(int(near.Fd()), unix.TCGETS)
	if err != nil {
		t.Fatal(err)
	}
	// Nobody has it yet: whoever made it may be about to.
	if _, err := link.Open(t.Context(), name, opt); err == nil || !strings.Contains(err.Error(), "made a moment ago") {
		t.Errorf("a terminal of this moment: %v", err)
	}
	person := exec.Command("cat")
	person.Stdin, person.Stdout = near, near
	person.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true}
	if err := person.Start(); err != nil {
		t.Fatal(err)
	}
	for _, opt := range []link.Options{opt, {Baud: 921_600, LockDir: opt.LockDir}} { // also at the first start
		_, err := link.Open(t.Context(), name, opt)
		want := fmt.Sprintf("the terminal of process %d (", person.Process.Pid)
		if foreign := (*link.ForeignError)(nil); !errors.As(err, &foreign) || !strings.Contains(err.Error(), want) {
			t.Errorf("a person's terminal: %v, want %s", err, want)
		}
	}
	if err := ports.CheckAt(name, "/sys", time.Now().Add(time.Hour)); err == nil {
		t.Error("an hour later the person's terminal is a line")
	}
	after, err := unix.IoctlGetTermios(int(near.Fd()), unix.TCGETS)
	if err != nil || *after != *before {
		t.Errorf("the terminal's settings were changed: %v", err)
	}
	if n, err := unix.IoctlGetInt(int(far.Fd()), unix.TIOCINQ); err != nil || n > 0 {
		t.Errorf("%d bytes were written to the terminal: %v", n, err)
	}
	if err := errors.Join(person.Process.Kill(), near.Close(), far.Close()); err != nil {
		t.Fatal(err)
	}
	_ = person.Wait()

	_, near = sameNumber(t, name)
	if err := ports.CheckAt(name, "/sys", time.Now().Add(2*time.Second)); err != nil {
		t.Errorf("a unit's pseudo-terminal, two seconds old: %v", err)
	}
	if l, err = link.Open(t.Context(), near.Name(), link.Options{Baud: 921_600, LockDir: t.TempDir()}); err != nil {
		t.Fatalf("a station that starts: %v", err)
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
}

// sameNumber makes pseudo-terminals until one has the name.
func sameNumber(t *testing.T, name string) (far, near *os.File) {
	t.Helper()
	for range 64 {
		far, near, err := pty.Open()
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { far.Close(); near.Close() })
		if near.Name() == name {
			return far, near
		}
	}
	t.Skipf("another program has taken %s", name)
	return nil, nil
}

// TestAdapterIsKnownByItsSocket: the system's own name of an adapter goes to
// whichever is plugged in next; a name that says where the adapter is does not.
func TestAdapterIsKnownByItsSocket(t *testing.T) {
	sys, dir := t.TempDir(), t.TempDir()
	var st unix.Stat_t
	if err := unix.Stat(os.DevNull, &st); err != nil { // stands for an adapter
		t.Fatal(err)
	}
	number := filepath.Join(sys, "dev/char", fmt.Sprintf("%d:%d", unix.Major(st.Rdev), unix.Minor(st.Rdev)))
	plug := func(socket string) {
		t.Helper()
		device := filepath.Join(sys, "devices/usb1", socket, "null")
		if err := errors.Join(os.MkdirAll(device, 0o755), os.RemoveAll(number), os.MkdirAll(number, 0o755), os.Symlink(device, filepath.Join(number, "device"))); err != nil {
			t.Fatal(err)
		}
	}
	byPath := filepath.Join(dir, "usb-1-1.2")
	if err := os.Symlink(os.DevNull, byPath); err != nil {
		t.Fatal(err)
	}
	ports := new(link.Ports)
	plug("1-1.2:1.0")
	for _, name := range []string{os.DevNull, byPath} {
		if err := ports.Opened(name, sys); err != nil {
			t.Fatal(err)
		}
	}
	if err := ports.CheckAt(os.DevNull, sys, time.Now()); err != nil {
		t.Errorf("the same adapter: %v", err)
	}
	plug("1-1.3:1.0")
	err := ports.CheckAt(os.DevNull, sys, time.Now())
	if err == nil || !strings.Contains(err.Error(), "1-1.3:1.0 now; it was the one at 1-1.2:1.0") || !strings.Contains(err.Error(), "by-path") {
		t.Errorf("another adapter: %v", err)
	}
	if err := ports.CheckAt(byPath, sys, time.Now()); err != nil {
		t.Errorf("by its path: %v", err)
	}
}
