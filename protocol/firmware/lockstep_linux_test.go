package firmware_test

import (
	"bytes"
	"context"
	"errors"
	"net"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/firmware"
	"example.org/panecal/protocol/simunit"
)

// inStep plays with a unit in lock step with a bubble's time.
func inStep(t *testing.T, o firmware.Options, play func(t *testing.T, l *firmware.Lockstep, line net.Conn)) {
	t.Helper()
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	said := filepath.Join(t.TempDir(), "said")
	f, err := os.Create(said)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	o.Stderr = f
	synctest.Test(t, func(t *testing.T) {
		l, err := firmware.StartLockstep(t.Context(), path, o)
		if err != nil {
			t.Fatal(err)
		}
		near, far := net.Pipe()
		ended := make(chan error, 1)
		go func() { ended <- l.Serve(t.Context(), far) }()
		play(t, l, near)
		near.Close()
		if err := <-ended; err == nil {
			t.Error("Serve ended without a reason")
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	if text, err := os.ReadFile(said); err != nil || len(text) > 0 {
		t.Errorf("the unit said %q (%v)", text, err)
	}
}

// TestLockstep: everything takes as long by the bubble's clock as it should,
// and no longer.
func TestLockstep(t *testing.T) {
	inStep(t, firmware.Options{Settings: []string{"rows=2", "columns=3"}}, func(t *testing.T, l *firmware.Lockstep, line net.Conn) {
		const session = 77
		c := protocol.NewClient(line, protocol.Options{NewSession: func() uint32 { return session }})
		ctx, began := t.Context(), time.Now()
		took := func(what string, least, most time.Duration) {
			t.Helper()
			if d := time.Since(began); d < least || d > most {
				t.Errorf("%s took %v, want %v to %v", what, d, least, most)
			}
			began = time.Now()
		}
		lit := func() bool { return must(l.EmitterOn())(t) }
		id := must(c.Identify(ctx))(t)
		took("identity", 0, 0)

		on := 0
		got := must(c.Capture(ctx, protocol.CaptureRequest{Kind: protocol.Histograms, Shots: 5_000_000, Frames: 2}, func(protocol.Progress) {
			if lit() {
				on++
			}
		}))(t)
		took("a capture of a second", time.Second, 1200*time.Millisecond)
		if got.End != protocol.Complete || got.Shots != 10_000_000 || on < 4 || lit() {
			t.Errorf("capture %+v, %d looks with light, then light %v", got, on, lit())
		}

		one := block(t, id, protocol.Written, 1)
		if err := errors.Join(c.Stage(ctx, one), c.Commit(ctx, one)); err != nil {
			t.Error(err)
		}
		took("a commit", 30*time.Millisecond, 200*time.Millisecond)
		if held := must(l.Stored())(t); !bytes.Equal(held, one) || !bytes.Equal(must(c.ReadConstants(ctx))(t), one) {
			t.Errorf("%d bytes are held, %d were written", len(held), len(one))
		}

		// Nobody asks: the light goes out a second later, to the tick.
		payload := must(protocol.AppendRequest(nil, protocol.Request{ID: 9000, Session: session,
			Body: &protocol.CaptureRequest{ID: 9000, Kind: protocol.Totals, Shots: 60_000_000, Frames: 1}}))(t)
		must(line.Write(protocol.AppendPacket(nil, payload)))(t)
		must(protocol.NewScanner(line, protocol.MaxPayload).Next())(t)
		time.Sleep(990 * time.Millisecond)
		if !lit() {
			t.Error("dark too early")
		}
		time.Sleep(20 * time.Millisecond)
		if lit() {
			t.Error("light without a request for more than a second")
		}

		// The power fails in the middle of a commit: before its last write.
		two := block(t, id, protocol.Written, 2)
		if err := c.Stage(ctx, two); err != nil {
			t.Fatal(err)
		}
		must(l.Do("cut 1"))(t)
		if err := c.Commit(ctx, two); err == nil {
			t.Error("a commit went well without power")
		}
		if happened := must(l.Do("cut 0"))(t); happened != "1" || !bytes.Equal(must(l.Stored())(t), one) {
			t.Errorf("cut %s, the old block is gone: %v", happened, !bytes.Equal(must(l.Stored())(t), one))
		}
		must(c.Identify(ctx))(t)
	})
}

// TestLockstepTwin: the photons are the twin's, in the moment in which the
// unit asks for them; where the twin has no power, the unit has none.
func TestLockstepTwin(t *testing.T) {
	m := simunit.Hopper1()
	synctest.Test(t, func(t *testing.T) {
		path, err := program()
		if err != nil {
			t.Fatal(err)
		}
		twin, alike := must(simunit.New(m, 3, simunit.Options{Out: true}))(t), must(simunit.New(m, 3, simunit.Options{}))(t)
		l := must(firmware.StartLockstep(t.Context(), path, firmware.Options{Twin: twin, Alike: alike, Stderr: os.Stderr}))(t)
		near, far := net.Pipe()
		ended := make(chan error, 1)
		go func() { ended <- l.Serve(t.Context(), far) }()
		c := protocol.NewClient(near, protocol.Options{})
		if _, err := c.Identify(t.Context()); err == nil {
			t.Error("a unit beside its nest answers")
		}
		twin.Seat(simunit.Seating{})
		if id, err := c.Identify(t.Context()); err != nil || id.UnitID != must(alikeID(alike))(t) {
			t.Errorf("%+v, %v", id, err)
		}
		got := must(c.Capture(t.Context(), protocol.CaptureRequest{Kind: protocol.Totals, Shots: 1_000_000, Frames: 4}, nil))(t)
		var sum, frames uint64
		for z := range got.Totals {
			sum += uint64(got.Totals[z])
			for _, f := range got.FrameTotals {
				frames += uint64(f[z])
			}
		}
		if sum < 1000 || sum != frames || got.End != protocol.Complete {
			t.Errorf("%d counts, %d in frames, %v", sum, frames, got.End)
		}
		twin.TakeOut()
		if _, err := c.Status(t.Context()); err == nil {
			t.Error("it answers without power")
		}
		near.Close()
		<-ended
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
}

// alikeID asks a simulated unit who it is.
func alikeID(u *simunit.Unit) (string, error) {
	near, far := net.Pipe()
	defer near.Close()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go u.Serve(ctx, far)
	id, err := protocol.NewClient(near, protocol.Options{}).Identify(ctx)
	return id.UnitID, err
}

// TestLockstepLost: a program that was killed, and one that computes for ever,
// end whoever deals with them.
func TestLockstepLost(t *testing.T) {
	for _, how := range []syscall.Signal{syscall.SIGKILL, syscall.SIGSTOP} {
		t.Run(how.String(), func(t *testing.T) {
			path, err := program()
			if err != nil {
				t.Fatal(err)
			}
			synctest.Test(t, func(t *testing.T) {
				l := must(firmware.StartLockstep(t.Context(), path, firmware.Options{Stderr: os.Stderr}))(t)
				l.HurryUp(200 * time.Millisecond) // of the computer's clock: none passes here
				near, far := net.Pipe()
				ended := make(chan error, 1)
				go func() {
					err := l.Serve(t.Context(), far)
					far.Close()
					ended <- err
				}()
				c := protocol.NewClient(near, protocol.Options{})
				must(c.Identify(t.Context()))(t)
				if err := l.Process().Signal(how); err != nil {
					t.Fatal(err)
				}
				if _, err := c.Status(t.Context()); err == nil {
					t.Error("it answers")
				}
				if err := <-ended; err == nil {
					t.Error("Serve ended without a reason")
				}
				if _, err := l.EmitterOn(); err == nil {
					t.Error("nobody notices")
				}
				near.Close()
				if err := l.Close(); err == nil {
					t.Error("Close says nothing of it")
				}
			})
		})
	}
}
