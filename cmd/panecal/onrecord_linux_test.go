//go:build linux

package main

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/screen"
	"example.org/panecal/station/shift"
)

// TestOnlyWhatIsOnRecordIsSaidToBe: messages and rework that could not be
// written are not confirmed.
func TestOnlyWhatIsOnRecordIsSaidToBe(t *testing.T) {
	for _, broken := range []bool{false, true} {
		w, err := demoPlant(t, "").workplace("test", nil)
		if err != nil {
			t.Fatal(err)
		}
		lang, _ := screen.NewLanguage("en")
		box := screen.NewMailbox()
		people := shift.New(shift.Options{Station: w.runner, Intake: w.intake, Operator: "op-1", Show: box.Show})
		if broken {
			if err := w.store.Close(); err != nil {
				t.Fatal(err)
			}
		}
		for _, text := range []string{"CMD NOTE", "the gasket of nest A is worn"} {
			people.Enter(shift.Input{Kind: shift.Label, Text: text, Nest: station.NoNest, At: time.Now()})
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
		if err := w.close(); err != nil && !broken {
			t.Fatal(err)
		}
	}
}
