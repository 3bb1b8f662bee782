//go:build linux

package main

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/screen"
)

// TestOnlyWhatIsOnRecordIsSaidToBe: messages and rework that could not be
// written are not confirmed.
func TestOnlyWhatIsOnRecordIsSaidToBe(t *testing.T) {
	for _, broken := range []bool{false, true} {
		b, err := demoPlant(t, "").bench("test", nil)
		if err != nil {
			t.Fatal(err)
		}
		lang, _ := screen.NewLanguage("en")
		box := screen.NewMailbox()
		crew := &crew{bench: b, box: box, lang: lang, shift: screen.NewShift(screen.ShiftOptions{Operator: "op-1", Language: lang}, time.Now())}
		if broken {
			if err := b.store.Close(); err != nil {
				t.Fatal(err)
			}
		}
		for _, text := range []string{"CMD NOTE", "the gasket of nest A is worn"} {
			crew.entered(screen.Input{Kind: screen.Label, Text: text, Nest: station.NoNest, At: time.Now()})
		}
		box.Put(station.Snapshot{Closed: true})
		var out bytes.Buffer
		if err := screen.RunPlain(t.Context(), screen.Options{Out: &out, Snapshots: box, Language: lang}); err != nil {
			t.Fatal(err)
		}
		if said := strings.Contains(out.String(), "The message is on record."); said == broken {
			t.Errorf("store broken %v, and the operator is told:\n%s", broken, out.String())
		}
		if broken && !strings.Contains(out.String(), "could not be put on record: recording note") {
			t.Errorf("the operator is not told that it failed:\n%s", out.String())
		}
		if err := b.close(); err != nil && !broken {
			t.Fatal(err)
		}
	}
}
