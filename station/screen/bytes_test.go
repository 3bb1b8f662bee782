package screen_test

import (
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/station/screen/term"
)

// What scanners send, and what came of it in programs that did not look: each
// is taken right or refused, and none ends the program. The pieces of a row
// arrive 5 ms apart, as a slow line splits them.
func TestScannerBytes(t *testing.T) {
	const long = "HP54-000017-7-0000000000-000" // 27 characters and one
	byOne := func(s string) []string { return strings.Split(s, "") }
	for _, c := range []struct {
		name   string
		pieces []string
		want   string // kind:text, 1 taken, 2 refused, 3 go on
	}{
		{"27 characters and CR in one write", []string{long[:27] + "\r"}, "1:" + long[:27]},
		{"one byte at a time, a hot key's letters in it", byOne("q" + long[:10] + "\r"), "1:q" + long[:10]},
		{"suffix LF", []string{"HP54-000017-7\n"}, "1:HP54-000017-7"},
		{"suffix TAB", []string{"HP54-000017-7\t"}, "1:HP54-000017-7"},
		{"no suffix", []string{"HP54-000017-7"}, "1:HP54-000017-7"},
		{"suffix CR LF, apart", []string{"HP54-000017-7\r", "\n"}, "1:HP54-000017-7"},
		{"STX and ETX", []string{"\x02HP54-000017-7\x03"}, "1:HP54-000017-7"},
		{"STX and ETX, apart", []string{"\x02", "HP54-000017-7", "\x03"}, "1:HP54-000017-7"},
		{"GS in an element string", []string{"]C12100017ABC\x1d10LOT7\r"}, "1:]C12100017ABC<1D>10LOT7"},
		{"prefix escape", []string{"\x1bSHP54-000017-7\r"}, "2:<1B>SHP54-000017-7"},
		{"escape sequence inside", []string{"AB\x1b[2JCD-017\r"}, "2:AB<1B>[2JCD-017"},
		{"NUL inside", []string{"AB\x00CD-017\r"}, "2:AB<00>CD-017"},
		{"UTF-8 split between reads", []string{"Ger\xc3", "\xa4t-0017\r"}, "1:Gerät-0017"},
		{"byte of Latin-1", []string{"Ger\xe4t-0017\r"}, "2:Ger<E4>t-0017"},
		{"pasted, CR inside", []string{"\x1b[200~HP54-000017-7\r\x1b[201~"}, "1:HP54-000017-7"},
		{"paste without an end, then a scan", []string{"\x1b[200~HP54-000017-7\r", "HP54-000018-5\r"}, "1:HP54-000017-7 1:HP54-000018-5"},
		{"paste marks split over reads", []string{"\x1b[2", "00~HP54-000017-7\r\x1b", "[201~"}, "1:HP54-000017-7"},
		{"exactly 256 bytes", []string{strings.Repeat("A", 255) + "\r"}, "1:" + strings.Repeat("A", 255)},
		{"exactly 256 bytes without suffix", []string{strings.Repeat("A", 256)}, "1:" + strings.Repeat("A", 256)},
		{"arrow key split by 5 ms", []string{"\x1b", "[A"}, ""},
		{"arrow key in one piece", []string{"\x1b[A"}, ""},
		{"all control characters", []string{"AB" + everyControl() + "CD\r"}, "refused"},
		{"Ctrl-Q twice inside", []string{"HP54\x11\x11-017\r"}, "2:HP54<11><11>-017"},
		{"suspend and quit inside", []string{"HP54\x1a\x1c-017\r"}, "2:HP54<1A><1C>-017"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := start(t.Context(), term.Colourless, nil)
				for _, p := range c.pieces {
					if _, err := io.WriteString(s.keys, p); err != nil {
						t.Fatal(err)
					}
					time.Sleep(5 * time.Millisecond)
				}
				s.settle()
				got := strings.Join(s.got(), " ")
				if c.want == "refused" {
					for _, g := range s.got() {
						if strings.HasPrefix(g, "1:") && g != "1:AB" && g != "1:CD" {
							t.Errorf("taken: %s", g)
						}
					}
					if !strings.Contains(got, "2:") {
						t.Errorf("nothing is refused: %s", got)
					}
				} else if got != c.want {
					t.Errorf("got  %s\nwant %s", got, c.want)
				}
				// Whatever it was, the next scan is taken, and the program is there.
				s.key("HP54-000099-9\r")
				if all := s.got(); len(all) == 0 || all[len(all)-1] != "1:HP54-000099-9" {
					t.Errorf("the next scan: %v", all)
				}
				if !s.running() {
					t.Fatal("the screen has ended")
				}
				s.key("\x11")
				s.key("\x11")
				if err := <-s.done; err != nil {
					t.Error(err)
				}
				s.keys.Close()
			})
		})
	}
}

// everyControl is every control character that ends no line.
func everyControl() string {
	var b strings.Builder
	for c := byte(0); c < 0x20; c++ {
		if c != '\r' && c != '\n' && c != '\t' {
			b.WriteByte(c)
		}
	}
	return b.String() + "\x7f"
}
