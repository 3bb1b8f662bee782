package gate_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/strict"
	"example.org/panecal/station"
	"example.org/panecal/station/gate"
)

// TestKeys: the site chooses what follows from silence, and mistakes have a place.
func TestKeys(t *testing.T) {
	for text, want := range map[string]string{
		"": "", "[gate]\nfolder = \"g\"\nsilent = \"hold\"": "", "[gate]\nfolder = \"g\"\nsilent = \"wait\"\nwait = \"2s\"": "",
		"[gate]\nfolder = \"g\"":                                    "what follows where the line does not answer",
		"[gate]\nfolder = \"g\"\nsilent = \"go\"":                   "what follows where the line does not answer",
		"[gate]\nsilent = \"hold\"":                                 "a gate without a folder",
		"[gate]\nfolder = \"g\"\nsilent = \"hold\"\nwait = \"0s\"":  "no time to wait",
		"[gate]\nfolder = \"g\"\nsilent = \"hold\"\nwait = \"11m\"": "no time to wait",
		"[gate]\nfolder = \"g\"\nsilent = \"hold\"\nwait = \"x\"":   "no time to wait",
	} {
		var c struct {
			Gate gate.Keys `toml:"gate"`
		}
		d, err := strict.Decode("panecal.toml", []byte(text), &c)
		if err != nil {
			t.Fatal(err)
		}
		c.Gate.Check(d)
		if err := d.Err(); want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// TestOpenAndExamine: no keys, no gate; what is missing is said.
func TestOpenAndExamine(t *testing.T) {
	base, beside := t.TempDir(), t.TempDir()
	none, err := gate.Keys{}.Open(gate.Options{}, base, beside)
	if none != nil || err != nil || none.Seam() != nil {
		t.Errorf("%v, %v", none, err)
	}
	none.Begin(nil)()
	if state, _, _ := (gate.Keys{}).Examine(base, beside); state != "" {
		t.Error(state)
	}
	k := gate.Keys{Folder: "g", Silent: "hold"}
	if state, text, _ := k.Examine(base, beside); state != "bad" || !strings.Contains(text, filepath.Join(base, "g", "in")) {
		t.Error(state, text)
	}
	f, err := k.Open(gate.Options{Station: "S1"}, base, beside)
	if err != nil || f.Seam() == nil || k.Silence() != station.SilenceHolds {
		t.Fatal(err)
	}
	if err := f.Result(t.Context(), station.Verdict{At: time.Unix(0, 0)}); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"in", "out"} {
		if err := os.MkdirAll(filepath.Join(base, "g", name), 0o750); err != nil {
			t.Fatal(err)
		}
	}
	if state, text, _ := k.Examine(base, beside); state != "look" || text != "results that wait for the share: 1" {
		t.Error(state, text)
	}
}
