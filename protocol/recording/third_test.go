package recording_test

import (
	"errors"
	"os"
	"slices"
	"testing"
	"testing/synctest"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/recording"
)

// TestThirdUnit plays a unit that was written from SPEC.md alone, in another
// language: the client understands it as it did.
func TestThirdUnit(t *testing.T) {
	file, err := os.Open("../../testdata/wire/third_unit.txt")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	s, err := recording.Read(file)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(s.Exchanges()); n != 18 {
		t.Errorf("%d requests", n)
	}
	synctest.Test(t, func(t *testing.T) {
		p := recording.NewPlayer(s)
		port, end := serve(t, p)
		defer end()
		c := protocol.NewClient(port, protocol.Options{})
		ctx := t.Context()
		id, err := c.Identify(ctx)
		if err != nil || id.Firmware != "0.1 py" || id.Zones() != 2 || id.MaxOut != 512 {
			t.Fatalf("%+v, %v", id, err)
		}
		if st, err := c.Status(ctx); err != nil || st.TempMilliCel != 24_500 {
			t.Errorf("%+v, %v", st, err)
		}
		got, err := c.Capture(ctx, protocol.CaptureRequest{Kind: protocol.Histograms, Shots: 50_000, Frames: 3}, nil)
		want := []uint32{152, 1499, 5945, 2997, 297, 161, 305, 3050, 12136, 6064, 597, 302}
		if err != nil || !slices.Equal(got.Counts, want) || got.Shots != 150_000 || len(got.FrameTotals) != 3 {
			t.Errorf("%+v, %v", got, err)
		}
		var no *protocol.RefusedError
		if _, err := c.Capture(ctx, protocol.CaptureRequest{Kind: protocol.Ranges, Shots: 1, Frames: 1}, nil); !errors.As(err, &no) || no.Code != protocol.CodeUnsupported {
			t.Errorf("ranges: %v", err)
		}
		// The block is read back from the recording, so it is the one that
		// was written then.
		block := &protocol.Block{Serial: "HP2-00042", Rows: 2, Cols: 1, FirstBin: 1, Bins: 3, TempMilliCel: 24_000,
			Witness: protocol.Witness{Station: "cell-3", Generation: 1, Sequence: 815}, State: protocol.Written}
		if err := errors.Join(block.SetLeakage([]float64{0.0375, 0.0014}, 1, [][]float64{{0.004, 0.03, 0.0035}, {0.0002, 0.0009, 0.0003}}),
			block.SetOffsets([]float64{1.25})); err != nil {
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
		if err := c.Void(ctx); err != nil {
			t.Error(err)
		}
		if back, err := c.ReadConstants(ctx); err != nil || !slices.Equal(back, protocol.VoidBlock()) {
			t.Errorf("read back %x, %v", back, err)
		}
		if err := c.Restart(ctx); err != nil {
			t.Error(err)
		}
		if again, err := c.Identify(ctx); err != nil || again.UnitID != id.UnitID {
			t.Errorf("after the restart %+v, %v", again, err)
		}
		if left := p.Strangers(); len(left) > 0 {
			t.Errorf("not in the recording: %v", left)
		}
	})
}
