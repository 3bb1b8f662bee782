//go:build unix

package screen_test

import (
	"bytes"
	"io"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	xterm "github.com/charmbracelet/x/term"
	"github.com/creack/pty"

	"example.org/panecal/station"
	"example.org/panecal/station/screen"
	"example.org/panecal/station/screen/term"
	"example.org/panecal/station/shift"
)

// On a real terminal: raw mode while it runs, the terminal as before
// afterwards, and a scan that ends in 0x03 is a label.
func TestRunOnTerminal(t *testing.T) {
	master, tty, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer tty.Close()
	if err := pty.Setsize(tty, &pty.Winsize{Rows: 24, Cols: 80}); err != nil {
		t.Fatal(err)
	}
	before, err := xterm.GetState(tty.Fd())
	if err != nil {
		t.Fatal(err)
	}

	var mu sync.Mutex
	var seen bytes.Buffer
	changed := make(chan struct{}, 1)
	go func() {
		buf := make([]byte, 4096)
		for {
			n, err := master.Read(buf)
			mu.Lock()
			seen.Write(buf[:n])
			mu.Unlock()
			select {
			case changed <- struct{}{}:
			default:
			}
			if err != nil {
				return
			}
		}
	}()
	wait := func(text string) {
		t.Helper()
		limit := time.After(10 * time.Second)
		for {
			mu.Lock()
			found := strings.Contains(seen.String(), text)
			mu.Unlock()
			if found {
				return
			}
			select {
			case <-changed:
			case <-limit:
				t.Fatalf("%q never came; got %q", text, seen.String())
			}
		}
	}

	var ticks atomic.Int64 // each look at the clock is a second later: every read stands alone
	now := func() time.Time { return noon.Add(time.Duration(ticks.Add(1)) * time.Second) }
	box, depth := screen.NewMailbox(), term.Colourless
	inputs := make(chan shift.Input, 10)
	done := make(chan error, 1)
	go func() {
		done <- screen.Run(t.Context(), screen.Options{In: tty, Out: tty, Snapshots: box, Colour: &depth, Now: now,
			Send: func(in shift.Input) { inputs <- in }})
	}()
	box.Put(bench(3))
	wait(station.HandsScan.Say(station.Args{}))
	if during, err := xterm.GetState(tty.Fd()); err != nil || *during == *before {
		t.Errorf("the terminal is not in raw mode (%v)", err)
	}
	enterRaw(t, master, "\x02HP54-000017-7\x03")
	if in := <-inputs; in.Kind != shift.Label || in.Text != "HP54-000017-7" || in.Nest != station.NoNest {
		t.Errorf("got %+v", in)
	}
	s := bench(3)
	s.Hands.Code = station.HandsStopped
	box.Put(s)
	wait(station.HandsStopped.Say(station.Args{}))
	enterRaw(t, master, "\x11")
	wait("Press Ctrl-Q again")
	enterRaw(t, master, "\x11")
	if err := <-done; err != nil {
		t.Errorf("left with %v", err)
	}
	after, err := xterm.GetState(tty.Fd())
	if err != nil || *after != *before {
		t.Errorf("the terminal is not as it was (%v)", err)
	}
	wait("\x1b[?1049l") // the alternate screen is left
}

func enterRaw(t *testing.T, w io.Writer, raw string) {
	t.Helper()
	if _, err := io.WriteString(w, raw); err != nil {
		t.Fatal(err)
	}
}
