package simunit_test

import (
	"context"
	"errors"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
)

// wire puts a unit on a pipe and returns a client for it. In a synctest
// bubble all waiting is virtual.
func wire(t *testing.T, u *simunit.Unit, opt protocol.Options) *protocol.Client {
	t.Helper()
	near, far := net.Pipe()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- u.Serve(ctx, far) }()
	t.Cleanup(func() {
		cancel()
		<-done
		near.Close()
		far.Close()
	})
	if opt.NewSession == nil {
		next := uint32(100)
		opt.NewSession = func() uint32 { next++; return next }
	}
	return protocol.NewClient(near, opt)
}

func make54(t *testing.T, seed uint64, o simunit.Options) *simunit.Unit {
	t.Helper()
	return makeUnit(t, simunit.Hopper54(), seed, o)
}

func makeUnit(t *testing.T, m simunit.Model, seed uint64, o simunit.Options) *simunit.Unit {
	t.Helper()
	u, err := simunit.New(m, seed, o)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

func identify(t *testing.T, c *protocol.Client) protocol.Identity {
	t.Helper()
	id, err := c.Identify(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func TestIdentity(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := make54(t, 1, simunit.Options{Serial: "FH123456"})
		id := identify(t, wire(t, u, protocol.Options{}))
		if id.Serial != "FH123456" || id.Product != "hopper-54" || id.Zones() != 54 || id.Bins != 96 ||
			!id.Kinds.Has(protocol.Histograms) || id.CountMax() != 1<<32-1 || id.Session != u.Truth().Session {
			t.Errorf("identity %+v", id)
		}
		one := makeUnit(t, simunit.Hopper1(), 1, simunit.Options{})
		id = identify(t, wire(t, one, protocol.Options{}))
		if id.Zones() != 1 || id.Kinds.Has(protocol.Histograms) || !id.Kinds.Has(protocol.Ranges) {
			t.Errorf("summaries-only identity %+v", id)
		}
	})
}

func TestCaptureTakesItsTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := make54(t, 1, simunit.Options{})
		c := wire(t, u, protocol.Options{})
		identify(t, c)
		start, sawOn := time.Now(), false
		got, err := c.Capture(t.Context(), protocol.CaptureRequest{Kind: protocol.Histograms, Shots: 200_000, Frames: 20},
			func(p protocol.Progress) { sawOn = sawOn || p.End == protocol.Running && u.EmitterOn() })
		if err != nil {
			t.Fatal(err)
		}
		// 4,000,000 shots every 100 ns; the client polls once a while.
		if took := time.Since(start); took < 400*time.Millisecond || took > 650*time.Millisecond {
			t.Errorf("took %v", took)
		}
		if !sawOn || u.EmitterOn() {
			t.Errorf("emitter on while capturing: %v, after: %v", sawOn, u.EmitterOn())
		}
		if len(got.Counts) != 54*96 || len(got.FrameTotals) != 20 || got.Shots != 4_000_000 {
			t.Errorf("capture of %d counts, %d frames, %d shots", len(got.Counts), len(got.FrameTotals), got.Shots)
		}
	})
}

func TestEmitterDeadMan(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := make54(t, 1, simunit.Options{})
		c := wire(t, u, protocol.Options{})
		identify(t, c)
		if _, err := c.StartCapture(t.Context(), protocol.CaptureRequest{ID: 7, Kind: protocol.Totals, Shots: 4e9, Frames: 1}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(999 * time.Millisecond)
		if !u.EmitterOn() {
			t.Error("emitter off before its second was over")
		}
		time.Sleep(2 * time.Millisecond)
		if u.EmitterOn() {
			t.Error("emitter on after a second without a request")
		}
		p, err := c.Progress(t.Context(), 7)
		if err != nil || p.End != protocol.Watchdog || p.ShotsFired < 9_990_000 || p.ShotsFired > 10_010_000 {
			t.Errorf("progress %+v, %v", p, err)
		}
	})
}

func TestStopAndSameCaptureID(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := make54(t, 1, simunit.Options{})
		c := wire(t, u, protocol.Options{})
		identify(t, c)
		req := protocol.CaptureRequest{ID: 3, Kind: protocol.Totals, Shots: 1_000_000, Frames: 4}
		for range 2 {
			if _, err := c.StartCapture(t.Context(), req); err != nil {
				t.Fatal(err)
			}
		}
		if n := u.Stats().Captures; n != 1 {
			t.Errorf("the same id started %d captures", n)
		}
		var refused *protocol.RefusedError
		other := req
		other.ID = 4
		if _, err := c.StartCapture(t.Context(), other); !errors.As(err, &refused) || refused.Code != protocol.CodeCapturing {
			t.Errorf("another capture meanwhile: %v", err)
		}
		time.Sleep(150 * time.Millisecond)
		if err := c.Stop(t.Context()); err != nil {
			t.Fatal(err)
		}
		p, err := c.Progress(t.Context(), 3)
		if err != nil || p.End != protocol.Stopped || p.FramesDone != 1 || u.EmitterOn() {
			t.Errorf("after stop: %+v, %v, emitter %v", p, err, u.EmitterOn())
		}
		// What was fired is counted, the cut frame too: sums must agree.
		got := &protocol.Capture{ID: 3, Kind: protocol.Totals, Frames: 4}
		if err := c.Fetch(t.Context(), got); err != nil {
			t.Error(err)
		}
		if got.FrameTotals[0][0] == 0 || got.FrameTotals[1][0] == 0 || got.FrameTotals[2][0] != 0 {
			t.Errorf("frames of zone 0: %d %d %d", got.FrameTotals[0][0], got.FrameTotals[1][0], got.FrameTotals[2][0])
		}
	})
}

func block(t *testing.T, u *simunit.Unit, state protocol.State) []byte {
	t.Helper()
	m, truth := u.Model(), u.Truth()
	b := &protocol.Block{Serial: u.Serial(), Rows: m.Rows, Cols: m.Cols, State: state,
		Witness: protocol.Witness{Station: "st-1", Generation: 1, Sequence: 5}}
	bins := simunit.ExpectedLeakage(u)
	if !m.Histograms {
		bins = nil
	}
	if err := b.SetLeakage(truth.Leakage, 0, bins); err != nil {
		t.Fatal(err)
	}
	if err := b.SetOffsets(truth.OffsetMM); err != nil {
		t.Fatal(err)
	}
	data, err := b.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func write(t *testing.T, c *protocol.Client, data []byte) error {
	t.Helper()
	if err := c.Stage(t.Context(), data); err != nil {
		return err
	}
	return c.Commit(t.Context(), data)
}

func TestCommitVoidAndSurvival(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := make54(t, 1, simunit.Options{})
		c := wire(t, u, protocol.Options{})
		identify(t, c)
		if got, err := c.ReadConstants(t.Context()); err != nil || len(got) != 0 {
			t.Errorf("a new unit holds %d bytes, %v", len(got), err)
		}
		data := block(t, u, protocol.Written)
		for range 2 { // the second commit finds the block in force
			if err := write(t, c, data); err != nil {
				t.Fatal(err)
			}
		}
		if n := u.Stats().Commits; n != 1 {
			t.Errorf("%d commits", n)
		}
		if err := c.Restart(t.Context()); err != nil {
			t.Fatal(err)
		}
		if _, err := c.Status(t.Context()); !errors.Is(err, protocol.ErrReset) {
			t.Errorf("after a restart: %v", err)
		}
		identify(t, c)
		if got, err := c.ReadConstants(t.Context()); err != nil || string(got) != string(data) {
			t.Errorf("after a restart: %d bytes, %v", len(got), err)
		}
		for _, w := range []protocol.Witness{{Station: "cell-3", Sequence: 8}, {Station: "cell-3", Sequence: 9}, {}} {
			want, _ := (&protocol.Block{State: protocol.Voided, Witness: w}).Marshal()
			if err := c.Void(t.Context(), w); err != nil {
				t.Fatal(err)
			}
			if got, err := c.ReadConstants(t.Context()); err != nil || string(got) != string(want) {
				t.Errorf("after void: %x, %v", got, err)
			}
		}
	})
}

func TestCommitRefused(t *testing.T) {
	cases := map[string]struct {
		change func(*protocol.Block)
		code   protocol.Code
	}{
		"other serial": {func(b *protocol.Block) { b.Serial = "FH000000" }, protocol.CodeWrongUnit},
		"other grid":   {func(b *protocol.Block) { b.Rows, b.Cols = b.Cols, b.Rows }, protocol.CodeWrongUnit},
	}
	for name, tc := range cases {
		synctest.Test(t, func(t *testing.T) {
			u := make54(t, 1, simunit.Options{})
			c := wire(t, u, protocol.Options{})
			identify(t, c)
			b, err := protocol.ParseBlock(block(t, u, protocol.Written))
			if err != nil {
				t.Fatal(err)
			}
			tc.change(b)
			data, err := b.Marshal()
			if err != nil {
				t.Fatal(err)
			}
			var refused *protocol.RefusedError
			if err := write(t, c, data); !errors.As(err, &refused) || refused.Code != tc.code {
				t.Errorf("%s: %v", name, err)
			}
			if u.Stored() != nil {
				t.Errorf("%s: something was stored", name)
			}
		})
	}
}

func TestSilentOutsideTheNest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := make54(t, 1, simunit.Options{Out: true})
		c := wire(t, u, protocol.Options{})
		if _, err := c.Identify(t.Context()); !errors.Is(err, protocol.ErrNoAnswer) {
			t.Errorf("without power: %v", err)
		}
		u.Seat(simunit.Seating{})
		identify(t, c)
		u.TakeOut()
		if _, err := c.Status(t.Context()); !errors.Is(err, protocol.ErrNoAnswer) {
			t.Errorf("taken out: %v", err)
		}
		u.Seat(simunit.Seating{})
		if _, err := c.Status(t.Context()); !errors.Is(err, protocol.ErrReset) {
			t.Errorf("put back, old session: %v", err)
		}
	})
}

func TestConsole(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		console := simunit.Console{Open: "calibrate\n", Close: "leave\n", Banner: "hopper ready\r\n> "}
		u := make54(t, 1, simunit.Options{Console: console})
		near, far := net.Pipe()
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- u.Serve(ctx, far) }()
		defer func() { cancel(); <-done; near.Close(); far.Close() }()
		c := protocol.NewClient(near, protocol.Options{})
		if _, err := c.Identify(t.Context()); !errors.Is(err, protocol.ErrNoAnswer) {
			t.Errorf("console open: %v", err)
		}
		near.Write([]byte("\r\nhelp\r\n" + console.Open))
		identify(t, c)
		time.Sleep(9 * time.Second)
		if _, err := c.Status(t.Context()); err != nil {
			t.Errorf("after 9 s: %v", err)
		}
		time.Sleep(11 * time.Second)
		if _, err := c.Status(t.Context()); !errors.Is(err, protocol.ErrNoAnswer) {
			t.Errorf("after 11 s of silence protocol mode must be closed: %v", err)
		}
		if s := u.Truth().Session; s != 0 {
			t.Errorf("session %d outlived protocol mode", s)
		}
		near.Write([]byte(console.Open))
		identify(t, c)
		near.Write([]byte(console.Close))
		if _, err := c.Status(t.Context()); !errors.Is(err, protocol.ErrNoAnswer) {
			t.Errorf("closed by text: %v", err)
		}
		near.Write([]byte(console.Open))
		synctest.Wait() // the unit has understood it, not only taken the bytes
		u.Reset()
		if _, err := c.Identify(t.Context()); !errors.Is(err, protocol.ErrNoAnswer) {
			t.Errorf("a reset leaves the console open: %v", err)
		}
	})
}

func TestPacing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const baud = 921600
		u := make54(t, 1, simunit.Options{Speed: 1e6, Line: simunit.Line{Baud: baud, Turnaround: 16 * time.Millisecond}})
		c := wire(t, u, protocol.Options{Baud: baud})
		identify(t, c)
		if _, err := c.StartCapture(t.Context(), protocol.CaptureRequest{ID: 1, Kind: protocol.Histograms, Shots: 4_000_000, Frames: 20}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Millisecond)
		before, start := c.Stats().BytesIn, time.Now()
		got := &protocol.Capture{ID: 1, Kind: protocol.Histograms, Frames: 20}
		if err := c.Fetch(t.Context(), got); err != nil {
			t.Fatal(err)
		}
		bytes := c.Stats().BytesIn - before
		ideal := time.Duration(bytes) * 10 * time.Second / baud
		took := time.Since(start)
		t.Logf("%d bytes in %v, line alone %v", bytes, took, ideal)
		if took < ideal+16*time.Millisecond || took > ideal*100/90+40*time.Millisecond {
			t.Errorf("%d bytes took %v; the line alone needs %v", bytes, took, ideal)
		}
	})
}
