package recording_test

import (
	"bytes"
	"errors"
	"math"
	"os"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/link"
	"example.org/panecal/protocol/recording"
)

const thirdFile = "../../testdata/wire/third_unit.txt"

// TestThirdUnit plays a unit that was written from SPEC.md alone, in another
// language: the client understands it as it did. With PANECAL_THIRD=PORT it
// speaks to the unit itself and writes the recording anew.
func TestThirdUnit(t *testing.T) {
	if port := os.Getenv("PANECAL_THIRD"); port != "" {
		recordThird(t, port)
		return
	}
	file, err := os.Open(thirdFile)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	s, err := recording.Read(file)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(s.Exchanges()); n < 25 {
		t.Errorf("%d requests", n)
	}
	synctest.Test(t, func(t *testing.T) {
		p := recording.NewPlayer(s)
		port, end := serve(t, p)
		defer end()
		thirdSession(t, port)
		if left := p.Strangers(); len(left) > 0 {
			t.Errorf("not in the recording: %v", left)
		}
	})
}

func recordThird(t *testing.T, port string) {
	l, err := link.Open(t.Context(), port, link.Options{Baud: 921600})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var out bytes.Buffer
	r := recording.Record(l, &out, nil)
	thirdSession(t, r)
	if err := r.Err(); err != nil {
		t.Fatal(err)
	}
	heading, rest, _ := bytes.Cut(out.Bytes(), []byte("\n"))
	text := string(heading) + `
# testdata/wire/third_unit.py, a unit of 3 x 4 zones written in a scripting
# language by somebody who had SPEC.md, the kit's README and nothing else, on a
# pseudo-terminal: who are you, status, histograms, ranges, a refused capture,
# stage, commit with busy, read back, ranges with the constants on, void with a witness and without, restart.
` + string(rest)
	if err := os.WriteFile(thirdFile, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// thirdSession is what a station does, and what must come of it.
func thirdSession(t *testing.T, port protocol.Port) {
	t.Helper()
	c := protocol.NewClient(port, protocol.Options{})
	ctx := t.Context()
	id, err := c.Identify(ctx)
	if err != nil || id.Firmware != "unit.py 1.0" || id.Zones() != 12 || id.Bins != 48 || id.Serial != "T3-0042" || id.MaxFrames != 32 {
		t.Fatalf("%+v, %v", id, err)
	}
	if st, err := c.Status(ctx); err != nil || st.TempMilliCel != 25_000 || st.EmitterOn {
		t.Errorf("%+v, %v", st, err)
	}
	got, err := c.Capture(ctx, protocol.CaptureRequest{Kind: protocol.Histograms, Shots: 40_000, Frames: 3}, nil)
	if err != nil || got.Shots != 120_000 || len(got.FrameTotals) != 3 {
		t.Fatalf("%+v, %v", got, err)
	}
	for z, total := range got.Totals {
		var bins, frames uint32
		for _, n := range got.Counts[z*id.Bins : (z+1)*id.Bins] {
			bins += n
		}
		for _, f := range got.FrameTotals {
			frames += f[z]
		}
		if bins != total || frames != total || total < 30_000 {
			t.Errorf("zone %d: bins sum to %d, frames to %d, its total is %d", z, bins, frames, total)
		}
	}
	ranges := func(compensated bool) []protocol.RangeZone {
		t.Helper()
		got, err := c.Capture(ctx, protocol.CaptureRequest{Kind: protocol.Ranges, Compensated: compensated, Shots: 100_000, Frames: 1}, nil)
		if err != nil || len(got.Ranges) != id.Zones() {
			t.Fatalf("ranges: %+v, %v", got, err)
		}
		return got.Ranges
	}
	bare := ranges(false)
	for z, r := range bare { // its target is at 1 m, and 10 mm farther in each zone
		if want := int64(1_000_000 + 10_000*z); !r.Ranged || math.Abs(float64(r.Range-want)) > 6*float64(r.RangeU)+3000 {
			t.Errorf("zone %d: %+v, it should be about %d", z, r, want)
		}
	}
	var no *protocol.RefusedError
	if _, err := c.StartCapture(ctx, protocol.CaptureRequest{ID: 99, Kind: protocol.Ranges, Shots: 1, Frames: 33}); !errors.As(err, &no) || no.Code != protocol.CodeBadArgument {
		t.Errorf("33 frames: %v", err)
	}
	const offset = 1.25 // mm
	block := &protocol.Block{Serial: id.Serial, Rows: id.Rows, Cols: id.Cols, TempMilliCel: 24_000,
		Witness: protocol.Witness{Station: "cell-3", Generation: 1, Sequence: 815}, State: protocol.Written}
	zones := make([]float64, id.Zones())
	bins := make([][]float64, id.Zones())
	for z := range bins {
		bins[z] = make([]float64, 5)
	}
	if err := errors.Join(block.SetLeakage(zones, 1, bins), block.SetOffsets([]float64{offset})); err != nil {
		t.Fatal(err)
	}
	data, err := block.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(c.Stage(ctx, data), c.Commit(ctx, data)); err != nil {
		t.Error(err)
	}
	if c.Stats().Busy == 0 {
		t.Error("the commit was not put off")
	}
	if back, err := c.ReadConstants(ctx); err != nil || !slices.Equal(back, data) {
		t.Errorf("read back %x, %v", back, err)
	}
	for z, r := range ranges(true) {
		if off := float64(bare[z].Range-r.Range) / 1000; math.Abs(off-offset) > 0.1 {
			t.Errorf("zone %d: the stored offset takes %.3f mm off", z, off)
		}
	}
	for _, w := range []protocol.Witness{block.Witness, {}} {
		void, err := (&protocol.Block{State: protocol.Voided, Witness: w}).Marshal()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Void(ctx, w); err != nil {
			t.Error(err)
		}
		if back, err := c.ReadConstants(ctx); err != nil || !slices.Equal(back, void) {
			t.Errorf("read back %x, %v", back, err)
		}
	}
	if err := c.Restart(ctx); err != nil {
		t.Error(err)
	}
	time.Sleep(300 * time.Millisecond) // it has 2 s at most, and takes less
	if again, err := c.Identify(ctx); err != nil || again.UnitID != id.UnitID {
		t.Errorf("after the restart %+v, %v", again, err)
	}
}
