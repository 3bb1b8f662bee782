package protocol_test

import (
	"context"
	"errors"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/panecal/protocol"
)

// A packet that has begun may take its time: a slow line costs no try.
func TestSlowAnswerCostsNoTry(t *testing.T) {
	u := newFakeUnit()
	u.tamper = func(n int, _ protocol.Request, honest []byte) (all [][]byte) {
		for i := range honest {
			all = append(all, honest[i:i+1])
		}
		return all
	}
	u.pause = 40 * time.Millisecond
	withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
		began := time.Now()
		if _, err := c.Status(ctx); err != nil {
			t.Fatal(err)
		}
		if s := c.Stats(); s.Retries != 0 || s.Dropped != 0 || time.Since(began) < 500*time.Millisecond {
			t.Errorf("%+v in %v", s, time.Since(began))
		}
	})
}

// A unit that is busy may be deaf; the requests behind are answered when it
// hears again, and count as answered in time.
func TestBusyPutsTheDeadlineOff(t *testing.T) {
	u := newFakeUnit()
	busy := 0
	u.answer = func(_ int, r protocol.Request) *protocol.Answer {
		if r.Body.Op() == protocol.OpFetch {
			if busy++; busy == 1 {
				return &protocol.Answer{Code: protocol.CodeBusy, BusyMS: 500}
			}
			if busy == 2 {
				time.Sleep(520 * time.Millisecond) // virtual
			}
		}
		return nil
	}
	withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
		got, err := c.Capture(ctx, capture20, nil)
		if err != nil {
			t.Fatal(err)
		}
		checkCapture(t, u, got)
		if s := c.Stats(); s.Busy != 1 || s.Retries != 0 || s.Dropped != 0 {
			t.Errorf("%+v", s)
		}
	})
}

// Who asks for it is told of each request that is sent again.
func TestRetriesAreTold(t *testing.T) {
	u := newFakeUnit()
	u.tamper = func(n int, _ protocol.Request, _ []byte) [][]byte {
		if n == 2 || n == 3 {
			return [][]byte{}
		}
		return nil
	}
	var told []int
	withUnit(t, u, protocol.Options{OnRetry: func(op protocol.Op, try int) {
		if op != protocol.OpStatus {
			t.Errorf("told of %v", op)
		}
		told = append(told, try)
	}}, func(ctx context.Context, c *protocol.Client) {
		if _, err := c.Status(ctx); err != nil {
			t.Fatal(err)
		}
	})
	if !slices.Equal(told, []int{2, 3}) {
		t.Errorf("told of tries %v", told)
	}
}

// After a restart no session is open: nothing that needs one is sent.
func TestNothingIsAskedWithoutASession(t *testing.T) {
	u := newFakeUnit()
	withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
		if err := c.Restart(ctx); err != nil {
			t.Fatal(err)
		}
		asked := c.Stats().Requests
		if _, err := c.Status(ctx); !errors.Is(err, protocol.ErrReset) {
			t.Errorf("got %v", err)
		}
		if n := c.Stats().Requests - asked; n != 0 {
			t.Errorf("%d requests were sent", n)
		}
		if err := c.Stop(ctx); err != nil {
			t.Errorf("a stop needs no session: %v", err)
		}
	})
}

// Each sum is checked by itself, and so is what the unit says at the end.
func TestEachContradictionIsFound(t *testing.T) {
	more := func(table protocol.Table) func(*fakeUnit, protocol.Request) *protocol.Answer {
		return func(u *fakeUnit, r protocol.Request) *protocol.Answer {
			q, ok := r.Body.(*protocol.Fetch)
			if !ok || q.Table != table {
				return nil
			}
			a := u.fetch(q)
			for _, part := range a.Body.(*protocol.Values).Counts {
				part[0]++
			}
			return a
		}
	}
	early := func(change func(*protocol.Progress)) func(*fakeUnit, protocol.Request) *protocol.Answer {
		return func(u *fakeUnit, r protocol.Request) *protocol.Answer {
			if r.Body.Op() != protocol.OpProgress || u.end != protocol.Complete {
				return nil
			}
			p := u.progress()
			change(p)
			return tell(p)
		}
	}
	for name, c := range map[string]struct {
		answer func(*fakeUnit, protocol.Request) *protocol.Answer
		want   string
	}{
		"bins":   {more(protocol.BinTable), "bins of zone"},
		"frames": {more(protocol.FrameTable), "frames of zone"},
		"shots":  {early(func(p *protocol.Progress) { p.ShotsFired-- }), "complete after 199999 shots in 20 frames"},
		"frame":  {early(func(p *protocol.Progress) { p.FramesDone-- }), "complete after 200000 shots in 19 frames"},
		"id":     {early(func(p *protocol.Progress) { p.Capture++ }), "of capture 6, not 5"},
	} {
		u := newFakeUnit()
		u.answer = func(_ int, r protocol.Request) *protocol.Answer { return c.answer(u, r) }
		withUnit(t, u, protocol.Options{}, func(ctx context.Context, client *protocol.Client) {
			_, err := client.Capture(ctx, capture20, nil)
			if !errors.Is(err, protocol.ErrInconsistent) || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%s: %v; want %q", name, err, c.want)
			}
		})
	}
}

// A capture without an id gets the next one; one that has an id keeps it.
func TestCaptureIDs(t *testing.T) {
	u := newFakeUnit()
	withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
		req := protocol.CaptureRequest{Kind: protocol.Totals, Shots: 10, Frames: 1}
		for _, want := range []struct{ given, id uint32 }{{0, 1}, {0, 2}, {1, 1}, {9, 9}, {0, 3}} {
			req.ID = want.given
			if got, err := c.Capture(ctx, req, nil); err != nil || got.ID != want.id || u.capture.ID != want.id {
				t.Errorf("%+v: %+v, %v", want, got, err)
			}
		}
	})
}

// The station comes back when the unit says that it will be done, and otherwise
// at its own pace.
func TestPollingPace(t *testing.T) {
	for name, c := range map[string]struct {
		silent        bool // about the time that is left
		polls         int
		least, atMost time.Duration
	}{
		"told":     {false, 6, 1050 * time.Millisecond, 1052 * time.Millisecond},
		"not told": {true, 6, 1200 * time.Millisecond, 1200 * time.Millisecond},
	} {
		u := newFakeUnit()
		u.captureFor = 1050 * time.Millisecond
		u.answer = func(_ int, r protocol.Request) *protocol.Answer {
			if r.Body.Op() != protocol.OpProgress || !c.silent {
				return nil
			}
			p := u.progress()
			p.RemainingMS = 0
			return tell(p)
		}
		withUnit(t, u, protocol.Options{}, func(ctx context.Context, client *protocol.Client) {
			began, ended := time.Now(), time.Time{}
			polls := 0
			if _, err := client.Capture(ctx, capture20, func(p protocol.Progress) {
				if polls++; p.End != protocol.Running {
					ended = time.Now()
				}
			}); err != nil {
				t.Fatal(err)
			}
			if d := ended.Sub(began); d < c.least || d > c.atMost || polls != c.polls+1 {
				t.Errorf("%s: %d reports in %v", name, polls, d)
			}
		})
	}
}

// A unit whose hold of a new block never grows is given up, after as many tries
// as a block of this size may take.
func TestStagingThatGetsNowhere(t *testing.T) {
	u := newFakeUnit()
	stages := 0
	u.answer = func(_ int, r protocol.Request) *protocol.Answer {
		if r.Body.Op() != protocol.OpStage {
			return nil
		}
		stages++
		return tell(&protocol.Staged{})
	}
	withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
		block, err := exampleBlock().Marshal() // 2428 bytes, 464 in each request
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Stage(ctx, block); !errors.Is(err, protocol.ErrInconsistent) || stages != 2*5+3+1 {
			t.Errorf("%v after %d requests", err, stages)
		}
	})
}

// deafPort is a line that is gone for its deadline only.
type deafPort struct{ protocol.Port }

func (deafPort) Read([]byte) (int, error)        { return 0, os.ErrDeadlineExceeded }
func (deafPort) Write(p []byte) (int, error)     { return len(p), nil }
func (deafPort) SetReadDeadline(time.Time) error { return os.ErrClosed }

func TestLineWithoutADeadlineIsGone(t *testing.T) {
	c := protocol.NewClient(deafPort{}, protocol.Options{})
	if _, err := c.Identify(t.Context()); !errors.Is(err, protocol.ErrPortLost) {
		t.Errorf("got %v", err)
	}
}
