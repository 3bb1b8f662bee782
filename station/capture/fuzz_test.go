package capture_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"testing"

	"example.org/panecal/station/capture"
)

// FuzzRead: any bytes give a result or an error with its place, and an
// accepted file a result that JSON can show.
func FuzzRead(f *testing.F) {
	m := captureFile(f)
	raw, err := json.Marshal(m)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(raw)
	f.Add([]byte(`{"schema":"panecal.capture/1","kind":"summary","grid":{"rows":1,"cols":1,"ux":[0],"uy":[0]},"empty":{"shots":5,"zones":[{"signal":1,"signal_u":0,"ambient":0,"ambient_u":0,"range_mm":null,"range_u_mm":0}]}}`))
	f.Add([]byte(`{"schema":"panecal.capture/1","grid":{"rows":1,"cols":1,"ux":[0],"uy":[0]},"bins":4,"bin_ps":1,"first_bin_ps":0,"leakage_window_ps":[0,4],"pulse":{"start_ps":0,"step_ps":1,"density":[0,1,0]},"empty":{"shots":9,"counts":[[1,2,3,0]]},"target":{"shots":9,"counts":[[0,0,9,0]],"distance_mm":1}}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > 1<<16 {
			return
		}
		c, err := capture.Read(bytes.NewReader(b))
		if err != nil {
			var fe *capture.Error
			if !errors.As(err, &fe) || fe.Path == "" {
				t.Fatalf("error without a place: %v", err)
			}
			return
		}
		if n := c.Setup.Grid.Zones() * c.Setup.Bins; n > 1<<12 || c.Setup.Bins > 256 || len(c.Setup.Pulse.Density) > 1<<12 {
			return
		}
		a, err := capture.Estimate(c)
		if err != nil {
			t.Fatalf("an accepted file is refused: %v", err)
		}
		var buf bytes.Buffer
		if err := a.Write(&buf); err != nil {
			t.Fatal(err)
		}
		if !json.Valid(buf.Bytes()) {
			t.Fatal("result is no JSON")
		}
	})
}
