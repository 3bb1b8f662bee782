package screen_test

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/visible"
	"example.org/panecal/station/screen"
	"example.org/panecal/station/screen/term"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// enter sends raw bytes through the input filter into the collector. Bytes of
// one piece arrive every pace; a piece begins wait after the one before, and
// the collector is told the time at the end of each silence.
type piece struct {
	wait time.Duration
	pace time.Duration
	raw  string
}

func enter(t *testing.T, pieces ...piece) []string {
	t.Helper()
	var c screen.Collector
	var got []string
	at := noon
	note := func(entries []screen.Entry) {
		for _, e := range entries {
			switch {
			case e.Key != screen.NoKey:
				got = append(got, fmt.Sprintf("key %d", e.Key))
			case e.Fault.Kind != screen.NoFault:
				got = append(got, fmt.Sprintf("refused %s (%s)", visible.Text(e.Text), e.Fault))
			default:
				got = append(got, visible.Text(e.Text))
			}
		}
	}
	for _, p := range pieces {
		if p.wait >= screen.Silence {
			note(c.Settle(at.Add(screen.Silence)))
		}
		at = at.Add(p.wait)
		raw, err := io.ReadAll(term.NewFilter(bytes.NewReader([]byte(p.raw))))
		if err != nil {
			t.Fatal(err)
		}
		for i, r := range []rune(string(raw)) {
			if i > 0 {
				if p.pace >= screen.Silence {
					note(c.Settle(at.Add(screen.Silence)))
				}
				at = at.Add(p.pace)
			}
			note(c.Add(r, at))
		}
	}
	note(c.Settle(at.Add(screen.Silence)))
	return got
}

func TestCollector(t *testing.T) {
	const (
		ms   = time.Millisecond
		hand = 150 * ms
	)
	scan := func(raw string) piece { return piece{time.Second, ms, raw} }
	byHand := func(raw string) piece { return piece{time.Second, hand, raw} }
	for _, c := range []struct {
		name string
		in   []piece
		want []string
	}{
		{"suffix CR", []piece{scan("HP54-000017\r")}, []string{"HP54-000017"}},
		{"suffix LF", []piece{scan("HP54-000017\n")}, []string{"HP54-000017"}},
		{"suffix CR LF", []piece{scan("HP54-000017\r\n")}, []string{"HP54-000017"}},
		{"suffix TAB", []piece{scan("HP54-000017\t")}, []string{"HP54-000017"}},
		{"no suffix", []piece{scan("HP54-000017")}, []string{"HP54-000017"}},
		{"no suffix, twice", []piece{scan("HP54-000017"), scan("HP54-000018")}, []string{"HP54-000017", "HP54-000018"}},
		{"prefix CR", []piece{scan("\rHP54-000017\r")}, []string{"HP54-000017"}},
		{"STX and ETX", []piece{scan("\x02HP54-000017\x03")}, []string{"HP54-000017"}},
		{"STX, ETX, CR", []piece{scan("\x02HP54-000017\x03\r")}, []string{"HP54-000017"}},
		{"STX, CR, ETX", []piece{scan("\x02HP54-000017\r\x03")}, []string{"HP54-000017"}},
		{"suffix ETX alone", []piece{scan("HP54-000017\x03")}, []string{"HP54-000017"}},
		{"paste brackets", []piece{scan("\x1b[200~HP54-000017\x1b[201~\r")}, []string{"HP54-000017"}},
		{"paste bracket without end", []piece{scan("\x1b[200~HP54-000017\r"), scan("HP54-000018\r")}, []string{"HP54-000017", "HP54-000018"}},
		{"separators of ISO/IEC 15434", []piece{scan("[)>\x1e06\x1dSHP54-000017\x1e\x04\r")}, []string{"[)><1E>06<1D>SHP54-000017<1E><04>"}},
		{"the same without suffix", []piece{scan("[)>\x1e06\x1dSHP54-000017\x1e\x04")}, []string{"[)><1E>06<1D>SHP54-000017<1E><04>"}},
		{"nothing is a key in a scan", []piece{scan("q?  \x11\x11Q\r")}, []string{"refused q?  <11><11>Q (it holds the control character 11)"}},
		{"two scans back to back", []piece{{time.Second, 0, "HP54-000017\rHP54-000018\r"}}, []string{"HP54-000017", "HP54-000018"}},
		{"prefix escape", []piece{scan("\x1bHP54-000017\r")}, []string{"refused <1B>HP54-000017 (it holds an escape; set the scanner's prefix to none)"}},
		{"escape sequence inside", []piece{scan("AB\x1b[2JCD\r")}, []string{"refused AB<1B>[2JCD (it holds an escape; set the scanner's prefix to none)"}},
		{"null inside", []piece{scan("AB\x00CD\r")}, []string{"refused AB<00>CD (it holds the control character 00)"}},
		{"byte of Latin-1", []piece{scan("Ger\xe4t\r")}, []string{"refused Ger<E4>t (byte E4 is no UTF-8; check the scanner's character set)"}},
		{"other letters are for the label's rules", []piece{scan("Gerät-ß\r")}, []string{"Gerät-ß"}},
		{"slow scanner with suffix", []piece{{time.Second, 60 * ms, "HP54-000017\r"}}, []string{"HP54-000017"}},
		{"too long", []piece{scan(strings.Repeat("A", 513) + "\r"), scan("HP54-000017\r")},
			[]string{"refused " + strings.Repeat("A", 512) + " (longer than 512 characters)", "HP54-000017"}},
		{"too long without suffix", []piece{scan(strings.Repeat("A", 5000)), scan("HP54-000017\r")},
			[]string{"refused " + strings.Repeat("A", 512) + " (longer than 512 characters)", "HP54-000017"}},
		{"only a suffix after a scan", []piece{scan("HP54-000017\r"), {10 * ms, ms, "\n\r"}}, []string{"HP54-000017"}},

		{"typed, with Enter", []piece{byHand("HP54\r")}, []string{"HP54"}},
		{"typed, without Enter", []piece{byHand("HP54-000017")}, nil},
		{"typed, mended", []piece{byHand("HP55\x7f4\r")}, []string{"HP54"}},
		{"typed, cleared", []piece{byHand("HP55"), byHand("\x1b"), byHand("HP54\r")}, []string{"HP54"}},
		{"typed, arrow key in between", []piece{byHand("HP"), scan("\x1b[A"), byHand("54\r")}, []string{"HP54"}},
		{"typed, with spaces", []piece{byHand("A B\r")}, []string{"A B"}},
		{"stray key before a scan", []piece{byHand("x"), scan("HP54-000017\r")},
			[]string{"refused x (left unfinished before a scan)", "HP54-000017"}},
		{"stray key long before typing", []piece{byHand("x"), {time.Minute, hand, "HP54\r"}},
			[]string{"refused x (left unfinished)", "HP54"}},

		{"Enter", []piece{byHand("\r")}, []string{"key 1"}},
		{"Space", []piece{byHand(" ")}, []string{"key 1"}},
		{"Enter held down", []piece{{time.Second, 30 * ms, "\r\r\r\r"}}, nil},
		{"pedal held down", []piece{byHand("\r"), {500 * ms, 30 * ms, "\r\r\r\r"}}, []string{"key 1"}},
		{"Enter twice by hand", []piece{byHand("\r\r")}, []string{"key 1", "key 1"}},
		{"Ctrl-C", []piece{byHand("\x03")}, []string{"key 2"}},
		{"Ctrl-C while typing", []piece{byHand("HP"), byHand("\x03"), byHand("54\r")}, []string{"key 2", "HP54"}},
		{"Ctrl-Q twice", []piece{byHand("\x11\x11")}, []string{"key 3", "key 3"}},
		{"Ctrl-Q in a burst", []piece{scan("\x11\x11")}, nil},
		{"Ctrl-X", []piece{byHand("\x18")}, []string{"key 4"}},
		{"Tab alone", []piece{byHand("\t")}, nil},
		{"escape alone", []piece{byHand("\x1b")}, nil},
		{"arrow key alone", []piece{scan("\x1b[A")}, nil},
		{"function key alone", []piece{scan("\x1b[15~")}, nil},
		{"delete alone", []piece{byHand("\x7f")}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := enter(t, c.in...); !slices.Equal(got, c.want) {
				t.Errorf("got  %q\nwant %q", got, c.want)
			}
		})
	}
}

// A late or missing call of Settle changes nothing but the moment.
func TestCollectorWithoutSettle(t *testing.T) {
	var c screen.Collector
	var got []screen.Entry
	at := noon
	for _, s := range []string{"HP54-000017", "\x03", "HP54-000018"} {
		for _, r := range s {
			if r < ' ' {
				r = term.Mark(byte(r))
			}
			got = append(got, c.Add(r, at)...)
		}
		at = at.Add(time.Second)
	}
	got = append(got, c.Settle(at)...)
	want := []screen.Entry{{Text: "HP54-000017"}, {Key: screen.KeyStop}, {Text: "HP54-000018"}}
	if !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

func FuzzCollector(f *testing.F) {
	f.Add([]byte("\x02HP54\x03\r\x1b[A"), []byte{0, 1, 90})
	f.Fuzz(func(t *testing.T, raw, gaps []byte) {
		out, err := io.ReadAll(term.NewFilter(bytes.NewReader(raw)))
		if err != nil {
			t.Fatal(err)
		}
		var c screen.Collector
		at := noon
		for i, r := range []rune(string(out)) {
			if len(gaps) > 0 {
				at = at.Add(time.Duration(gaps[i%len(gaps)]) * time.Millisecond)
			}
			for _, e := range c.Add(r, at) {
				check(t, e)
			}
		}
		for _, e := range c.Settle(at.Add(time.Second)) {
			check(t, e)
		}
	})
}

func check(t *testing.T, e screen.Entry) {
	t.Helper()
	if e.Key != screen.NoKey {
		if e.Text != "" || e.Fault != (screen.Fault{}) {
			t.Fatalf("a key with text: %+v", e)
		}
		return
	}
	if e.Text == "" {
		t.Fatalf("an empty label: %+v", e)
	}
	if len([]rune(e.Text)) > 512 {
		t.Fatalf("label of %d characters", len([]rune(e.Text)))
	}
	if e.Fault == (screen.Fault{}) {
		for _, r := range e.Text {
			if r < 0x1C && r != 4 || r == 0x7F {
				t.Fatalf("control %U accepted in %q", r, e.Text)
			}
		}
	}
}
