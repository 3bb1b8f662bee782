package screen_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"example.org/panecal/station/screen"
)

// hear lets an ear hear bytes one by one, pace apart.
func hear(raw string, pace time.Duration) []screen.Heard {
	var ear screen.Ear
	var out []screen.Heard
	at := noon
	for _, b := range []byte(raw) {
		out = append(out, ear.Hear([]byte{b}, at)...)
		at = at.Add(pace)
	}
	return append(out, ear.Settle(at.Add(screen.Silence))...)
}

func TestHeard(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct {
		name, raw string
		pace      time.Duration
		prefix    string
		text      string
		suffix    string
		faults    int
		says      string // in the remarks
	}{
		{"as it should be", "HP54-000017\r", ms, "", "HP54-000017", "\r", 0, ""},
		{"framed", "\x02HP54-000017\x03\r\n", ms, "\x02", "HP54-000017", "\x03\r\n", 0, ""},
		{"no suffix", "HP54-000017", ms, "", "HP54-000017", "", 0, "no suffix"},
		{"no suffix and slow", "HP54-000017", 50 * ms, "", "HP54-000017", "", 1, "50 ms passed"},
		{"slow with suffix", "HP54-000017\r", 50 * ms, "", "HP54-000017", "\r", 0, ""},
		{"TAB", "HP54-000017\t", ms, "", "HP54-000017", "\t", 0, "TAB"},
		{"escape before", "\x1bHP54-000017\r", ms, "\x1b", "HP54-000017", "\r", 1, "an escape"},
		{"Latin-1", "Ger\xe4t-0017\r", ms, "", "Ger\xe4t-0017", "\r", 1, "byte E4"},
		{"two bytes of UTF-8", "Ger\xc3\xa4t-0017\r", ms, "", "Gerät-0017", "\r", 0, "outside ASCII"},
		{"null inside", "HP54\x00-0017\r", ms, "", "HP54\x00-0017", "\r", 1, "00 stands inside"},
		{"message of ISO/IEC 15434", "[)>\x1e06\x1dSHP54\x1e\x04\r", ms, "", "[)>\x1e06\x1dSHP54\x1e\x04", "\r", 0, ""},
		{"symbology identifier", "]d2HP54-000017\r", ms, "", "]d2HP54-000017", "\r", 0, "]d2"},
		{"pasted", "\x1b[200~HP54-000017\x1b[201~\r", ms, "\x1b", "[200~HP54-000017\x1b[201~", "\r", 0, "pasted"},
		{"too long", strings.Repeat("A", 600) + "\r", ms, "", strings.Repeat("A", 600), "\r", 1, "longer than"},
	} {
		t.Run(c.name, func(t *testing.T) {
			all := hear(c.raw, c.pace)
			if len(all) != 1 {
				t.Fatalf("%d scans: %+v", len(all), all)
			}
			h := all[0]
			if string(h.Bytes) != c.raw || string(h.Prefix()) != c.prefix || string(h.Text()) != c.text || string(h.Suffix()) != c.suffix {
				t.Errorf("%q: prefix %q, text %q, suffix %q", h.Bytes, h.Prefix(), h.Text(), h.Suffix())
			}
			faults, says := 0, ""
			for _, r := range h.Remarks {
				if r.Fault {
					faults++
				}
				says += fmt.Sprintln(r.Text)
			}
			if faults != c.faults || !strings.Contains(says, c.says) {
				t.Errorf("%d faults, remarks:\n%s", faults, says)
			}
			// What is refused at the screen has a fault, what is taken has none.
			refused := len(h.Entries) != 1 || h.Entries[0].Fault.Kind != screen.NoFault
			if refused != (c.faults > 0) {
				t.Errorf("the screen makes %+v of it", h.Entries)
			}
			if want := time.Duration(len(c.raw)-1) * c.pace; h.Took() != want {
				t.Errorf("took %v, want %v", h.Took(), want)
			}
		})
	}
}

// Labels that come without a pause are told apart by their suffix.
func TestHeardBackToBack(t *testing.T) {
	all := hear(strings.Repeat("HP54-000017\r\n", 50), 0)
	if len(all) != 50 {
		t.Fatalf("%d scans", len(all))
	}
	for _, h := range all {
		if string(h.Text()) != "HP54-000017" || len(h.Remarks) > 0 {
			t.Fatalf("got %+v", h)
		}
	}
}
