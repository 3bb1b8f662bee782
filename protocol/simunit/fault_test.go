package simunit_test

import (
	"context"
	"errors"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
)

var histogram = protocol.CaptureRequest{Kind: protocol.Histograms, Shots: 100_000, Frames: 5}

func capture(t *testing.T, c *protocol.Client, req protocol.CaptureRequest) *protocol.Capture {
	t.Helper()
	got, err := c.Capture(t.Context(), req, nil)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// A fault that costs one try, or none, must not be seen in what is measured.
func TestFaultsThatARetryMends(t *testing.T) {
	var want []uint32
	synctest.Test(t, func(t *testing.T) {
		c := wire(t, make54(t, 9, simunit.Options{}), protocol.Options{})
		identify(t, c)
		want = capture(t, c, histogram).Counts
	})
	cases := map[simunit.FaultKind]func(protocol.Counters) bool{
		simunit.FaultFlip:    func(n protocol.Counters) bool { return n.BadPackets > 0 && n.Retries > 0 },
		simunit.FaultLose:    func(n protocol.Counters) bool { return n.Retries > 0 },
		simunit.FaultDeaf:    func(n protocol.Counters) bool { return n.Retries > 0 },
		simunit.FaultRepeat:  func(n protocol.Counters) bool { return n.Dropped > 0 },
		simunit.FaultLate:    func(n protocol.Counters) bool { return n.Dropped > 0 && n.Retries > 0 },
		simunit.FaultNoise:   func(n protocol.Counters) bool { return true },
		simunit.FaultBusy:    func(n protocol.Counters) bool { return n.Busy > 0 },
		simunit.FaultSilence: func(n protocol.Counters) bool { return n.Retries > 0 },
	}
	for kind, seen := range cases {
		for _, op := range []protocol.Op{protocol.OpStartCapture, protocol.OpProgress, protocol.OpFetch} {
			synctest.Test(t, func(t *testing.T) {
				u := make54(t, 9, simunit.Options{Faults: []simunit.Fault{{Kind: kind, Op: op, Time: 170 * time.Millisecond}}})
				c := wire(t, u, protocol.Options{})
				identify(t, c)
				if got := capture(t, c, histogram); !slices.Equal(got.Counts, want) {
					t.Errorf("%s at %v: other counts", kind, op)
				}
				time.Sleep(time.Second) // late answers are on their way
				if _, err := c.Status(t.Context()); err != nil {
					t.Errorf("%s at %v: afterwards %v", kind, op, err)
				}
				if n := c.Stats(); !seen(n) {
					t.Errorf("%s at %v did nothing: %+v", kind, op, n)
				}
			})
		}
	}
}

func TestResetIsSeen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := make54(t, 9, simunit.Options{Faults: []simunit.Fault{{Kind: simunit.FaultReset, Op: protocol.OpProgress}}})
		c := wire(t, u, protocol.Options{})
		identify(t, c)
		if _, err := c.Capture(t.Context(), histogram, nil); !errors.Is(err, protocol.ErrReset) {
			t.Errorf("reset during a capture: %v", err)
		}
		if u.EmitterOn() {
			t.Error("the emitter survived a reset")
		}
	})
}

func TestNoisyLine(t *testing.T) {
	for seed := range uint64(3) {
		synctest.Test(t, func(t *testing.T) {
			u := make54(t, seed, simunit.Options{Faults: simunit.LineNoise(0.03)})
			clean := make54(t, seed, simunit.Options{})
			c, d := wire(t, u, protocol.Options{}), wire(t, clean, protocol.Options{})
			identify(t, c)
			identify(t, d)
			if got, want := capture(t, c, histogram), capture(t, d, histogram); !slices.Equal(got.Counts, want.Counts) {
				t.Errorf("seed %d: noise on the line changed counts", seed)
			}
		})
	}
}

func TestTornCommit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := make54(t, 2, simunit.Options{})
		c := wire(t, u, protocol.Options{})
		identify(t, c)
		old := block(t, u, protocol.Written)
		if err := write(t, c, old); err != nil {
			t.Fatal(err)
		}
		u.Break(simunit.Fault{Kind: simunit.FaultTornCommit, Op: protocol.OpCommit})
		if err := write(t, c, block(t, u, protocol.Released)); !errors.Is(err, protocol.ErrReset) {
			t.Errorf("torn commit: %v", err)
		}
		if !slices.Equal(u.Stored(), old) {
			t.Error("a torn commit must leave the old block in force")
		}
	})
}

func TestFlaws(t *testing.T) {
	ranges := protocol.CaptureRequest{Kind: protocol.Ranges, Compensated: true, Shots: 1_000_000, Frames: 1}
	stands := simunit.Scene{TargetMM: 300, Reflectance: 0.5}
	// distance is the mean error of the unit's own ranges, mm, after writing true constants.
	distance := func(t *testing.T, flaw simunit.Flaw) (mm float64, u *simunit.Unit, c *protocol.Client, written []byte) {
		u = make54(t, 4, simunit.Options{Flaw: flaw})
		c = wire(t, u, protocol.Options{})
		identify(t, c)
		written = block(t, u, protocol.Written)
		if err := write(t, c, written); err != nil {
			t.Fatal(err)
		}
		u.SetScene(stands)
		truth := u.Truth()
		for z, r := range capture(t, c, ranges).Ranges {
			if !r.Ranged {
				t.Fatalf("zone %d: no range", z)
			}
			mm += (float64(r.Range)/1000 - truth.RadialMM[z]) / 54
		}
		return mm, u, c, written
	}
	synctest.Test(t, func(t *testing.T) {
		// Pulse width and bin widths depart: a millimetre is theirs.
		if mm, u, _, written := distance(t, simunit.Sound); mm < -1.5 || mm > 1.5 || !slices.Equal(u.Stored(), written) {
			t.Errorf("sound: error %.2f mm", mm)
		}
		if mm, _, _, _ := distance(t, simunit.FlawZeroMoves); mm < 6.5 || mm > 9.5 {
			t.Errorf("zero moves: error %.2f mm", mm)
		}
		mm, u, _, _ := distance(t, simunit.FlawOffsetSign)
		if offset := u.Truth().OffsetMM[0]; (mm-2*offset)*(mm-2*offset) > 9 {
			t.Errorf("offset sign: error %.2f mm with an offset of %.2f mm", mm, offset)
		}
		if _, u, _, _ := distance(t, simunit.FlawCommit); u.Stored() != nil {
			t.Error("commit flaw: stored after all")
		}
		_, u, _, _ = distance(t, simunit.FlawForgets)
		if u.Reset(); u.Stored() != nil {
			t.Error("forgets: still knows")
		}
	})
}

// A cable that is pulled and put back: the unit goes on, and so does a client
// made for the new line.
func TestServeAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := make54(t, 1, simunit.Options{})
		identify(t, wire(t, u, protocol.Options{}))
		session := u.Truth().Session
		c := wire(t, u, protocol.Options{NewSession: func() uint32 { return 77 }})
		identify(t, c)
		if now := u.Truth().Session; now != 77 || now == session {
			t.Errorf("session %d", now)
		}
	})
}

func TestCancelledCaptureLeavesTheEmitterOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := make54(t, 1, simunit.Options{})
		c := wire(t, u, protocol.Options{})
		identify(t, c)
		ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
		defer cancel()
		_, err := c.Capture(ctx, protocol.CaptureRequest{Kind: protocol.Totals, Shots: 100_000_000, Frames: 1}, nil)
		if !errors.Is(err, context.DeadlineExceeded) || u.EmitterOn() {
			t.Errorf("%v, emitter %v", err, u.EmitterOn())
		}
	})
}
