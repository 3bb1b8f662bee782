package screen_test

import (
	"context"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/limits/visible"
	"example.org/panecal/station"
	"example.org/panecal/station/screen"
	"example.org/panecal/station/screen/term"
	"example.org/panecal/station/shift"
)

// A scanner with a port of its own: its labels come through, none of its
// bytes is a key, and the keyboard works beside it.
func TestScannerPort(t *testing.T) {
	for _, plain := range []bool{false, true} {
		t.Run(fmt.Sprintf("plain %v", plain), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				keys, typing := io.Pipe()
				port, scanner := io.Pipe()
				ctx, cancel := context.WithCancel(t.Context())
				var got []string
				depth := term.Colourless
				o := screen.Options{In: keys, Scanner: port, Out: new(glass), Snapshots: screen.NewMailbox(), Colour: &depth,
					Send: func(in shift.Input) { got = append(got, fmt.Sprintf("%d:%s", in.Kind, visible.Text(in.Text))) }}
				done := make(chan error, 1)
				go func() {
					if plain {
						done <- screen.RunPlain(ctx, o)
						return
					}
					done <- screen.Run(ctx, o)
				}()
				o.Snapshots.Put(bench(2))
				for _, s := range []string{"HP54-000017-7\r\n", "\x11", "\x11", "\r", "\x02HP54-000018-5\x03", "HP54-000019-3", "AB\x00CDEF\r"} {
					if _, err := io.WriteString(scanner, s); err != nil {
						t.Fatal(err)
					}
					time.Sleep(200 * time.Millisecond)
				}
				if _, err := io.WriteString(typing, "HP54-000020-1\r"); err != nil {
					t.Fatal(err)
				}
				time.Sleep(200 * time.Millisecond)
				synctest.Wait()
				want := "1:HP54-000017-7 1:HP54-000018-5 1:HP54-000019-3 2:AB<00>CDEF 1:HP54-000020-1"
				if s := strings.Join(got, " "); s != want {
					t.Errorf("got  %s\nwant %s", s, want)
				}
				select {
				case err := <-done:
					t.Fatalf("a scanner ended the screen: %v", err)
				default:
				}
				scanner.Close()
				typing.Close()
				cancel()
				<-done
			})
		})
	}
}

// The bell rings once for each verdict, if it is wanted.
func TestBell(t *testing.T) {
	for _, c := range []struct {
		wanted, plain bool
		rings         int
	}{{true, false, 2}, {true, true, 2}, {false, false, 0}, {false, true, 0}} {
		t.Run(fmt.Sprintf("wanted %v, plain %v", c.wanted, c.plain), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithCancel(t.Context())
				g, depth := new(glass), term.Colourless
				o := screen.Options{Out: g, Snapshots: screen.NewMailbox(), Colour: &depth, Bell: c.wanted}
				done := make(chan error, 1)
				go func() {
					if c.plain {
						done <- screen.RunPlain(ctx, o)
						return
					}
					done <- screen.Run(ctx, o)
				}()
				first := judged(bench(2), 0, passed, station.HandsPassed)
				second := judged(judged(bench(2), 0, passed, station.HandsPassed), 1, dirty, station.HandsFailed)
				second.Nests[1].Verdict.Sequence++
				for _, s := range []station.Snapshot{bench(2), first, first, second, bench(2)} {
					o.Snapshots.Put(s)
					time.Sleep(300 * time.Millisecond)
					synctest.Wait()
				}
				if n := strings.Count(g.since(), "\a"); n != c.rings {
					t.Errorf("rang %d times, want %d", n, c.rings)
				}
				cancel()
				<-done
			})
		})
	}
}

// Pages, line by line.
func TestPlainPages(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		g, box := new(glass), screen.NewMailbox()
		done := make(chan error, 1)
		box.Show(&shift.Page{Kind: shift.BadgePage}, shift.Reply{})
		go func() { done <- screen.RunPlain(ctx, screen.Options{Out: g, Snapshots: box}) }()
		box.Put(bench(1))
		synctest.Wait()
		box.Show(&shift.Page{Kind: shift.BadgePage}, shift.Reply{Code: shift.BadBadge, Text: "12"})
		synctest.Wait()
		box.Show(&shift.Page{Kind: shift.CautionPage}, shift.Reply{})
		synctest.Wait()
		box.Show(nil, shift.Reply{})
		synctest.Wait()
		golden(t, "plain-pages", g.since())
		cancel()
		<-done
	})
}

// A page takes the place of the nests on a terminal, and gives it back.
func TestRunShowsPages(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := start(t.Context(), term.Colourless, nil)
		s.box.Show(&shift.Page{Kind: shift.HelpPage}, shift.Reply{Code: shift.Noted})
		s.settle()
		if out := s.glass.since(); !strings.Contains(out, "Press Enter to go on.") || !strings.Contains(out, "The message is on record.") {
			t.Errorf("the page is not shown: %q", out)
		}
		s.key("\r")
		if got := fmt.Sprint(s.got()); got != "[3:]" {
			t.Errorf("sent %s", got)
		}
		s.box.Show(nil, shift.Reply{})
		s.settle()
		if out := s.glass.since(); !strings.Contains(out, "Scan the next label") {
			t.Errorf("the nests are not back: %q", out)
		}
		s.key("\x11")
		s.key("\x11")
		<-s.done
		s.keys.Close()
	})
}
