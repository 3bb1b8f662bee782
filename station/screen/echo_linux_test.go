package screen_test

import (
	"bytes"
	"context"
	"io"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"

	"example.org/panecal/station/screen"
	"example.org/panecal/station/shift"
)

// heard tells of each line that is written to it, and waits until that was heard.
type heard struct {
	io.Writer
	said chan []byte
}

func (h heard) Write(p []byte) (int, error) {
	h.said <- bytes.Clone(p)
	return h.Writer.Write(p)
}

// TestPlainHidesThePIN: a terminal shows no PIN while it is typed, shows again
// what is typed after it, and is as it was at the end, which may come any time.
func TestPlainHidesThePIN(t *testing.T) {
	master, tty, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer tty.Close()
	go func() { _, _ = io.Copy(io.Discard, master) }()
	shows := func(want bool, when string) {
		t.Helper()
		s, err := unix.IoctlGetTermios(int(tty.Fd()), unix.TCGETS)
		if err != nil {
			t.Fatal(err)
		}
		if got := s.Lflag&unix.ECHO != 0; got != want {
			t.Errorf("%s: the terminal shows what is typed: %v", when, got)
		}
	}
	box := screen.NewMailbox()
	out := heard{tty, make(chan []byte)}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() {
		done <- screen.RunPlain(ctx, screen.Options{In: tty, Out: out, Snapshots: box, Send: func(shift.Input) {}})
	}()
	for _, page := range []struct {
		kind shift.PageKind
		show bool
	}{{shift.NotePage, true}, {shift.PINPage, false}, {shift.NotePage, true}, {shift.PINPage, false}} {
		box.Show(&shift.Page{Kind: page.kind}, shift.Reply{})
		for limit, last := time.After(10*time.Second), false; !last; {
			select {
			case line := <-out.said:
				last = bytes.HasPrefix(line, []byte("> ")) // ends each page
			case <-limit:
				t.Fatal("nothing was said")
			}
		}
		shows(page.show, "page "+string(rune('0'+page.kind)))
	}
	cancel()
	<-done
	shows(true, "at the end")
}
