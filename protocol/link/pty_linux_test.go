package link_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/link"
)

// openPTY returns the far end of a new pseudo-terminal and the near end's
// name. The near end is held open, or the far end would see a hang-up
// before the link is there.
func openPTY(t *testing.T) (far *os.File, name string) {
	t.Helper()
	far, near, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { far.Close(); near.Close() })
	return far, near.Name()
}

func openLink(t *testing.T, address string, opt link.Options) *link.Link {
	t.Helper()
	opt.Baud, opt.LockDir = 921_600, t.TempDir()
	l, err := link.Open(t.Context(), address, opt)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

func within(t *testing.T, l *link.Link, d time.Duration) {
	t.Helper()
	if err := l.SetReadDeadline(time.Now().Add(d)); err != nil {
		t.Fatal(err)
	}
}

// openFiles returns the number of open descriptors of this process.
func openFiles(t *testing.T) int {
	t.Helper()
	all, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(all)
}

func TestAllByteValuesPassBothWays(t *testing.T) {
	far, name := openPTY(t)
	l := openLink(t, name, link.Options{})
	all := make([]byte, 2048)
	for i := range all {
		all[i] = byte(i)
	}
	got := make([]byte, len(all))
	if _, err := l.Write(all); err != nil {
		t.Fatal(err)
	}
	if _, err := io.ReadFull(far, got); err != nil || string(got) != string(all) {
		t.Errorf("to the unit: %v", err)
	}
	if _, err := far.Write(all); err != nil {
		t.Fatal(err)
	}
	within(t, l, 5*time.Second)
	if _, err := io.ReadFull(l, got); err != nil || string(got) != string(all) {
		t.Errorf("to the station: %v", err)
	}
}

// TestWriteAfterCloseHitsNoOtherFile gives the port's old number to other
// files before writing to the closed link.
func TestWriteAfterCloseHitsNoOtherFile(t *testing.T) {
	_, name := openPTY(t)
	before := openFiles(t)
	l := openLink(t, name, link.Options{})
	held := openFiles(t) - before
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if n := openFiles(t); n != before {
		t.Errorf("%d descriptors before, %d after", before, n)
	}
	var victims []string
	for i := range held + 2 {
		victim := filepath.Join(t.TempDir(), "victim")
		f, err := os.Create(victim)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		victims = append(victims, victim)
		_ = i
	}
	if n, err := l.Write([]byte("GARBAGE")); n != 0 || !errors.Is(err, link.ErrClosed) {
		t.Errorf("%d bytes, %v", n, err)
	}
	for _, v := range victims {
		if got, err := os.ReadFile(v); err != nil || len(got) > 0 {
			t.Errorf("another file got %q, %v", got, err)
		}
	}
}

// TestStuckUnit: nobody reads at the far end. The write is given up, the
// close returns, and what reaches the far end afterwards is not the rest.
func TestStuckUnit(t *testing.T) {
	far, near, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer far.Close()
	defer near.Close()
	l, err := link.OpenPort(near.Name(), 50*time.Millisecond)
	if err != nil {
		t.Fatal(err)
	}
	const size = 1 << 20
	n, err := l.Write(make([]byte, size))
	if !errors.Is(err, link.ErrLost) || n > 100_000 {
		t.Errorf("%d bytes, %v", n, err)
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	// A last word by another descriptor comes behind whatever was left.
	if _, err := near.WriteString("END"); err != nil {
		t.Fatal(err)
	}
	var heard []byte
	buf := make([]byte, 1<<16)
	for !bytes.HasSuffix(heard, []byte("END")) {
		n, err := far.Read(buf)
		if err != nil {
			t.Fatal(err)
		}
		heard = append(heard, buf[:n]...)
	}
	late := len(heard) - len("END")
	t.Logf("%d bytes taken before the write was given up, %d reached the unit after the close", n, late)
	// 4,095 bytes are what the far end of a pseudo-terminal has received
	// before anybody reads it; they are beyond recall, all others are not.
	if late > 4095+256 {
		t.Errorf("%d bytes reached the unit after the close", late)
	}
}

func TestPulledLine(t *testing.T) {
	far, near, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	name := near.Name()
	l := openLink(t, name, link.Options{})
	near.Close()
	before := openFiles(t)
	if _, err := far.Write([]byte("last words")); err != nil {
		t.Fatal(err)
	}
	within(t, l, 5*time.Second)
	first, rest := make([]byte, 1), make([]byte, 9)
	if _, err := io.ReadFull(l, first); err != nil {
		t.Fatal(err)
	}
	far.Close()
	if _, err := io.ReadFull(l, rest); err != nil || string(first)+string(rest) != "last words" {
		t.Errorf("%q%q, %v", first, rest, err)
	}
	if _, err := l.Read(rest); !errors.Is(err, link.ErrLost) || errors.Is(err, link.ErrClosed) {
		t.Errorf("read: %v", err)
	}
	if _, err := l.Write([]byte("x")); !errors.Is(err, link.ErrLost) {
		t.Errorf("write: %v", err)
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	if n := openFiles(t); n >= before {
		t.Errorf("%d descriptors before, %d after: the lost port is still open", before, n)
	}
	if _, err := l.Read(rest); !errors.Is(err, link.ErrClosed) {
		t.Errorf("read after our close: %v", err)
	}
}

// TestPulledWhileWriting: the library reports a short write without an error.
func TestPulledWhileWriting(t *testing.T) {
	far, near, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	l := openLink(t, near.Name(), link.Options{})
	near.Close()
	go func() {
		_, _ = io.ReadFull(far, make([]byte, 4096))
		far.Close()
	}()
	n, err := l.Write(make([]byte, 1<<20))
	if !errors.Is(err, link.ErrLost) || n == 1<<20 {
		t.Errorf("%d bytes, %v", n, err)
	}
}

func TestOldInputIsForgotten(t *testing.T) {
	far, name := openPTY(t)
	if _, err := far.Write([]byte("from the unit that was here before\n")); err != nil {
		t.Fatal(err)
	}
	l := openLink(t, name, link.Options{})
	if _, err := far.Write([]byte("now")); err != nil {
		t.Fatal(err)
	}
	within(t, l, 5*time.Second)
	got := make([]byte, 3)
	if _, err := io.ReadFull(l, got); err != nil || string(got) != "now" {
		t.Errorf("%q, %v", got, err)
	}
}

func TestConsoleTexts(t *testing.T) {
	far, name := openPTY(t)
	l := openLink(t, name, link.Options{OpenText: "\r\nproto on\r\n", CloseText: "\x00proto off\r\n"})
	if err := l.Resume(); err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	const want = "\r\nproto on\r\n\r\nproto on\r\n\x00proto off\r\n"
	got := make([]byte, len(want))
	if _, err := io.ReadFull(far, got); err != nil || string(got) != want {
		t.Errorf("%q, %v", got, err)
	}
}

func TestPortIsOpenOnce(t *testing.T) {
	_, name := openPTY(t)
	dir := t.TempDir()
	alias := filepath.Join(dir, "by-path")
	if err := os.Symlink(name, alias); err != nil {
		t.Fatal(err)
	}
	opt := link.Options{Baud: 921_600, LockDir: dir}
	l, err := link.Open(t.Context(), alias, opt)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, err = link.Open(t.Context(), name, opt)
	var held *link.HeldError
	if !errors.As(err, &held) || held.Holder == "" {
		t.Fatalf("got %v", err)
	}
	t.Log(err)
	// Without our lock the kernel's exclusive mode is left, which root passes.
	if os.Getuid() != 0 {
		if _, err = link.Open(t.Context(), name, link.Options{Baud: 921_600, LockDir: t.TempDir()}); !errors.As(err, &held) {
			t.Errorf("got %v", err)
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	again, err := link.Open(t.Context(), alias, opt)
	if err != nil {
		t.Fatalf("after the close: %v", err)
	}
	again.Close()
}

func TestOpenErrors(t *testing.T) {
	dir := t.TempDir()
	cancelled, cancel := context.WithCancel(t.Context())
	cancel()
	for name, open := range map[string]func() (*link.Link, error){
		"no such port": func() (*link.Link, error) {
			return link.Open(t.Context(), "/dev/no-such-port", link.Options{Baud: 9600, LockDir: dir})
		},
		"no speed": func() (*link.Link, error) { return link.Open(t.Context(), os.DevNull, link.Options{LockDir: dir}) },
		"no line": func() (*link.Link, error) {
			return link.Open(t.Context(), os.DevNull, link.Options{Baud: 9600, LockDir: dir})
		},
		"cancelled": func() (*link.Link, error) {
			return link.Open(cancelled, os.DevNull, link.Options{Baud: 9600, LockDir: dir})
		},
		"no folder for locks": func() (*link.Link, error) {
			return link.Open(t.Context(), os.DevNull, link.Options{Baud: 9600, LockDir: filepath.Join(dir, "none")})
		},
	} {
		before := openFiles(t)
		if _, err := open(); err == nil {
			t.Errorf("%s: opened", name)
		} else {
			t.Log(err)
		}
		if n := openFiles(t); n != before {
			t.Errorf("%s: %d descriptors before, %d after", name, before, n)
		}
	}
}

// TestTooManyFiles: the library panics at its first read of a descriptor of
// 1024 or more, so no port is opened there.
func TestTooManyFiles(t *testing.T) {
	_, name := openPTY(t)
	for range 1100 {
		f, err := os.Open(os.DevNull)
		if err != nil {
			t.Skipf("this computer allows fewer files: %v", err)
		}
		defer f.Close()
	}
	before := openFiles(t)
	_, err := link.Open(t.Context(), name, link.Options{Baud: 9600, LockDir: t.TempDir()})
	if err == nil || !strings.Contains(err.Error(), "restart the station") {
		t.Errorf("opened: %v", err)
	}
	if n := openFiles(t); n != before {
		t.Errorf("%d descriptors before, %d after", before, n)
	}
}

// answerStatus is a unit that knows who it is and how it is.
func answerStatus(t *testing.T, line io.ReadWriter) {
	s := protocol.NewScanner(line, 512)
	for {
		payload, err := s.Next()
		if errors.Is(err, protocol.ErrDamaged) {
			continue
		}
		if err != nil {
			return
		}
		r, err := protocol.DecodeRequest(payload)
		if err != nil {
			continue
		}
		a := protocol.Answer{ID: r.ID, Session: r.Session, Op: r.Body.Op()}
		switch r.Body.(type) {
		case *protocol.WhoAreYou:
			a.Body = &protocol.Identity{UnitID: "u1", ProtoLow: 1, ProtoHigh: 1, Rows: 1, Cols: 1, PulsePeriodNS: 1000,
				CountBits: 16, MaxIn: 256, MaxOut: 512, MaxHeld: 2, Kinds: protocol.KindsOf(protocol.Ranges), MaxFrames: 1}
		case *protocol.AskStatus:
			a.Body = &protocol.Status{TempMilliCel: 21_000}
		}
		payload, err = protocol.AppendAnswer(nil, a)
		if err != nil {
			t.Error(err)
			return
		}
		if _, err := line.Write(protocol.AppendPacket(nil, payload)); err != nil {
			return
		}
	}
}

func TestClientOverSerialLine(t *testing.T) {
	far, name := openPTY(t)
	l := openLink(t, name, link.Options{OpenText: "proto on\r\n"})
	if _, err := far.Write([]byte("boot ok\r\n")); err != nil {
		t.Fatal(err)
	}
	go answerStatus(t, far)
	c := protocol.NewClient(l, protocol.Options{Baud: 921_600})
	id, err := c.Identify(t.Context())
	if err != nil || id.UnitID != "u1" {
		t.Fatalf("%+v, %v", id, err)
	}
	began := time.Now()
	const times = 200
	for range times {
		if s, err := c.Status(t.Context()); err != nil || s.TempMilliCel != 21_000 {
			t.Fatalf("%+v, %v", s, err)
		}
	}
	t.Logf("%v a request and its answer; %+v", time.Since(began)/times, c.Stats())
}
