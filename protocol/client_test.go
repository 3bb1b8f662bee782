package protocol_test

import (
	"context"
	"errors"
	"reflect"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol"
)

// withUnit runs f on a virtual clock with an identified client.
func withUnit(t *testing.T, u *fakeUnit, opt protocol.Options, f func(ctx context.Context, c *protocol.Client)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		c, end := u.line(opt)
		defer end()
		if _, err := c.Identify(t.Context()); err != nil {
			t.Fatal(err)
		}
		f(t.Context(), c)
	})
}

var capture20 = protocol.CaptureRequest{ID: 5, Kind: protocol.Histograms, Shots: 10_000, Frames: 20}

func checkCapture(t *testing.T, u *fakeUnit, c *protocol.Capture) {
	t.Helper()
	for z, bins := range u.counts {
		if got := c.Counts[z*len(bins) : (z+1)*len(bins)]; !reflect.DeepEqual(got, bins) {
			t.Fatalf("zone %d: got %v\nwant %v", z, got, bins)
		}
	}
	if len(c.FrameTotals) != c.Frames || c.End != protocol.Complete {
		t.Errorf("%d frames, end %v", len(c.FrameTotals), c.End)
	}
}

func TestCaptureOfEachKind(t *testing.T) {
	for _, kind := range []protocol.CaptureKind{protocol.Histograms, protocol.Totals, protocol.Ranges} {
		t.Run(kind.String(), func(t *testing.T) {
			u := newFakeUnit()
			withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
				req, reports := capture20, 0
				req.Kind = kind
				got, err := c.Capture(ctx, req, func(protocol.Progress) { reports++ })
				if err != nil {
					t.Fatal(err)
				}
				switch kind {
				case protocol.Histograms:
					checkCapture(t, u, got)
				case protocol.Totals:
					if got.Counts != nil || len(got.Totals) != 54 || got.Totals[3] == 0 {
						t.Errorf("totals %v, counts %v", got.Totals, got.Counts)
					}
				case protocol.Ranges:
					if !reflect.DeepEqual(got.Ranges, u.ranges) {
						t.Errorf("ranges %v", got.Ranges)
					}
				}
				if reports < 5 || u.stops != 1 || u.starts != 1 || u.idle > 200*time.Millisecond {
					t.Errorf("%d reports, %d stops, %d starts, longest silence %v", reports, u.stops, u.starts, u.idle)
				}
			})
		})
	}
}

// TestBadLine sends, for each request in turn, something else than the
// honest answer: the capture must come out the same.
func TestBadLine(t *testing.T) {
	var previous []byte
	faults := map[string]func(honest []byte) [][]byte{
		"lost":         func([]byte) [][]byte { return [][]byte{} },
		"repeated":     func(p []byte) [][]byte { return [][]byte{p, p} },
		"stale before": func(p []byte) [][]byte { return [][]byte{previous, p} },
		"cut":          func(p []byte) [][]byte { return [][]byte{p[:len(p)/2]} },
		"flipped":      func(p []byte) [][]byte { q := append([]byte(nil), p...); q[len(q)/2] ^= 0x10; return [][]byte{q} },
		"byte by byte": func(p []byte) (all [][]byte) {
			for i := range p {
				all = append(all, p[i:i+1])
			}
			return all
		},
		"text before":    func(p []byte) [][]byte { return [][]byte{append([]byte("boot ok\r\n"), p...)} },
		"garbage before": func(p []byte) [][]byte { return [][]byte{{0, 1, 2, 3, 0, 0xff, 0xff}, p} },
	}
	const requests = 30 // of a fault-free run: more are not reached
	for name, fault := range faults {
		t.Run(name, func(t *testing.T) {
			hit := 0
			for at := 2; at <= requests; at++ {
				u := newFakeUnit()
				u.tamper = func(n int, _ protocol.Request, honest []byte) [][]byte {
					defer func() { previous = honest }()
					if n != at {
						return nil
					}
					hit++
					return fault(honest)
				}
				withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
					got, err := c.Capture(ctx, capture20, nil)
					if err != nil {
						t.Fatalf("request %d: %v", at, err)
					}
					checkCapture(t, u, got)
					if u.starts != 1 {
						t.Errorf("request %d: %d captures were started", at, u.starts)
					}
				})
			}
			if hit < 20 {
				t.Errorf("only %d faults happened", hit)
			}
		})
	}
}

func TestOneDamagedPacketCostsThatPacket(t *testing.T) {
	u := newFakeUnit()
	fetches := 0
	u.tamper = func(_ int, r protocol.Request, honest []byte) [][]byte {
		if r.Body.Op() == protocol.OpFetch {
			if fetches++; fetches == 4 {
				honest[9] ^= 1
				return [][]byte{honest}
			}
		}
		return nil
	}
	withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
		if _, err := c.Capture(ctx, capture20, nil); err != nil {
			t.Fatal(err)
		}
		if s := c.Stats(); s.Retries != 1 || s.BadPackets != 1 || s.Dropped != 0 {
			t.Errorf("%+v", s)
		}
	})
}

func TestErrors(t *testing.T) {
	mute := func(from int) func(int, protocol.Request, []byte) [][]byte {
		return func(n int, _ protocol.Request, _ []byte) [][]byte {
			if n >= from {
				return [][]byte{}
			}
			return nil
		}
	}
	status := func(ctx context.Context, c *protocol.Client) error { _, err := c.Status(ctx); return err }
	capture := func(ctx context.Context, c *protocol.Client) error {
		_, err := c.Capture(ctx, capture20, nil)
		return err
	}
	noise := make([]byte, 1000)
	for i := range noise {
		noise[i] = byte(i)
	}
	tests := []struct {
		name   string
		break_ func(*fakeUnit)
		do     func(context.Context, *protocol.Client) error
		want   error
		within time.Duration
	}{
		{"silence", func(u *fakeUnit) { u.tamper = mute(2) }, status, protocol.ErrNoAnswer, 500 * time.Millisecond},
		{"endless garbage", func(u *fakeUnit) {
			u.tamper = func(n int, _ protocol.Request, _ []byte) [][]byte {
				if n < 2 {
					return nil
				}
				all := make([][]byte, 400)
				for i := range all {
					all[i] = noise
				}
				return all
			}
		}, status, protocol.ErrNoAnswer, 500 * time.Millisecond},
		{"reset", func(u *fakeUnit) {
			u.answer = func(n int, _ protocol.Request) *protocol.Answer {
				if n == 4 {
					u.session, u.capture = 0, protocol.CaptureRequest{}
				}
				return nil
			}
		}, capture, protocol.ErrReset, 2 * time.Second},
		{"busy for ever", func(u *fakeUnit) {
			u.answer = func(n int, _ protocol.Request) *protocol.Answer {
				if n == 1 {
					return nil
				}
				return &protocol.Answer{Code: protocol.CodeBusy, BusyMS: 500}
			}
		}, status, protocol.ErrBusyTooLong, 16 * time.Second},
		{"sums", func(u *fakeUnit) {
			u.answer = func(_ int, r protocol.Request) *protocol.Answer {
				if q, ok := r.Body.(*protocol.Fetch); ok && q.Table == protocol.TotalTable {
					return &protocol.Answer{Body: q.Answer(54, 1, 1024, func(int, int) uint32 { return 7 })}
				}
				return nil
			}
		}, capture, protocol.ErrInconsistent, 3 * time.Second},
		{"other zone", func(u *fakeUnit) {
			u.answer = func(_ int, r protocol.Request) *protocol.Answer {
				if q, ok := r.Body.(*protocol.Fetch); ok {
					other := *q
					other.Zone = (q.Zone + 1) % 50
					other.Count = 1
					return u.fetch(&other)
				}
				return nil
			}
		}, capture, protocol.ErrInconsistent, 3 * time.Second},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			u := newFakeUnit()
			tt.break_(u)
			withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
				began := time.Now()
				err := tt.do(ctx, c)
				if !errors.Is(err, tt.want) {
					t.Errorf("got %v, want %v", err, tt.want)
				}
				if d := time.Since(began); d > tt.within {
					t.Errorf("took %v", d)
				}
				if u.capture.ID != 0 && u.end == protocol.Running {
					t.Error("the emitter is on")
				}
			})
		})
	}
}

func TestRefusalNamesTheCode(t *testing.T) {
	withUnit(t, newFakeUnit(), protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
		_, err := c.Progress(ctx, 99)
		var refused *protocol.RefusedError
		if !errors.As(err, &refused) || refused.Code != protocol.CodeNoCapture {
			t.Errorf("got %v", err)
		}
	})
}

// Each call hands on the unit's refusal.
func TestEveryCallIsRefused(t *testing.T) {
	for name, call := range map[string]func(context.Context, *protocol.Client) error{
		"status": func(ctx context.Context, c *protocol.Client) error { _, err := c.Status(ctx); return err },
		"start": func(ctx context.Context, c *protocol.Client) error {
			_, err := c.StartCapture(ctx, capture20)
			return err
		},
		"progress": func(ctx context.Context, c *protocol.Client) error { _, err := c.Progress(ctx, 1); return err },
		"fetch": func(ctx context.Context, c *protocol.Client) error {
			return c.Fetch(ctx, &protocol.Capture{ID: 1, Kind: protocol.Totals, Frames: 1})
		},
		"read":    func(ctx context.Context, c *protocol.Client) error { _, err := c.ReadConstants(ctx); return err },
		"stage":   func(ctx context.Context, c *protocol.Client) error { return c.Stage(ctx, protocol.VoidBlock(nil)) },
		"commit":  func(ctx context.Context, c *protocol.Client) error { return c.Commit(ctx, protocol.VoidBlock(nil)) },
		"void":    func(ctx context.Context, c *protocol.Client) error { return c.Void(ctx, exampleBlock().Witness) },
		"restart": func(ctx context.Context, c *protocol.Client) error { return c.Restart(ctx) },
		"stop":    func(ctx context.Context, c *protocol.Client) error { return c.Stop(ctx) },
	} {
		u := newFakeUnit()
		u.answer = func(n int, _ protocol.Request) *protocol.Answer {
			if n == 1 {
				return nil
			}
			return refuse(protocol.CodeFault)
		}
		withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
			var refused *protocol.RefusedError
			if err := call(ctx, c); !errors.As(err, &refused) || refused.Code != protocol.CodeFault {
				t.Errorf("%s: %v", name, err)
			}
		})
	}
	if err := protocol.NewClient(deafPort{}, protocol.Options{}).Commit(t.Context(), []byte{1, 2, 3}); !errors.Is(err, protocol.ErrBadBlock) {
		t.Errorf("three bytes are committed: %v", err)
	}
}

func TestBusyIsWaitedForAndCostsNoTry(t *testing.T) {
	u := newFakeUnit()
	u.answer = func(n int, r protocol.Request) *protocol.Answer {
		if n > 1 && n < 10 {
			return &protocol.Answer{Code: protocol.CodeBusy, BusyMS: 300}
		}
		return nil
	}
	withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
		began := time.Now()
		if _, err := c.Status(ctx); err != nil {
			t.Fatal(err)
		}
		if d := time.Since(began); d < 2400*time.Millisecond || d > 2500*time.Millisecond {
			t.Errorf("took %v, told to wait 2.4 s", d)
		}
		if s := c.Stats(); s.Busy != 8 || s.Retries != 0 {
			t.Errorf("%+v", s)
		}
	})
}

// TestStopOnEveryWayOut cancels a capture at each request in turn.
func TestStopOnEveryWayOut(t *testing.T) {
	cancelled := 0
	for at := 2; at < 40; at++ {
		u := newFakeUnit()
		cancel := func() {}
		u.answer = func(n int, _ protocol.Request) *protocol.Answer {
			if n == at {
				cancel()
			}
			return nil
		}
		withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
			ctx, cancel = context.WithCancel(ctx)
			defer cancel()
			_, err := c.Capture(ctx, capture20, nil)
			if err != nil {
				cancelled++
				if !errors.Is(err, context.Canceled) {
					t.Errorf("request %d: %v", at, err)
				}
			}
			if u.starts > 0 && (u.stops == 0 || u.end == protocol.Running) {
				t.Errorf("request %d: %d stops, end %v", at, u.stops, u.end)
			}
		})
	}
	if cancelled < 15 {
		t.Errorf("only %d captures were cancelled", cancelled)
	}
}

func TestStopWhenReportPanics(t *testing.T) {
	u := newFakeUnit()
	withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
		defer func() {
			if recover() == nil || u.stops != 1 {
				t.Errorf("%d stops", u.stops)
			}
		}()
		_, _ = c.Capture(ctx, capture20, func(protocol.Progress) { panic("screen") })
	})
}

func TestCaptureThatEndsEarly(t *testing.T) {
	u := newFakeUnit()
	u.answer = func(n int, r protocol.Request) *protocol.Answer {
		if n == 4 {
			u.end = protocol.UnitFault
		}
		return nil
	}
	withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
		_, err := c.Capture(ctx, capture20, nil)
		var ended *protocol.EndedError
		if !errors.As(err, &ended) || ended.Progress.End != protocol.UnitFault {
			t.Errorf("got %v", err)
		}
	})
}

func TestSaturatedZoneIsLeftToTheJudge(t *testing.T) {
	u := newFakeUnit()
	u.id.CountBits = 16
	u.counts[7][3] = 65_535
	u.answer = func(_ int, r protocol.Request) *protocol.Answer {
		if q, ok := r.Body.(*protocol.Fetch); ok && q.Table == protocol.FrameTable {
			// The frames went on counting where the bin could not.
			return &protocol.Answer{Body: q.Answer(54, 20, 1024, func(z, f int) uint32 {
				var n uint32
				for _, c := range u.counts[z] {
					n += c
				}
				part := n / 20
				if f == 0 {
					part = n - 19*part
					if z == 7 {
						part += 1000
					}
				}
				return part
			})}
		}
		return nil
	}
	withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
		got, err := c.Capture(ctx, capture20, nil)
		if err != nil {
			t.Fatal(err)
		}
		if got.CountMax != 65_535 || got.Counts[7*96+3] != got.CountMax {
			t.Errorf("count max %d, count %d", got.CountMax, got.Counts[7*96+3])
		}
	})
}

func TestConstantsThereAndBack(t *testing.T) {
	u := newFakeUnit()
	lost := 0
	u.tamper = func(n int, r protocol.Request, honest []byte) [][]byte {
		if r.Body.Op() != protocol.OpWhoAreYou && n%3 == 0 { // every third answer is lost
			lost++
			return [][]byte{}
		}
		return nil
	}
	withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
		if got, err := c.ReadConstants(ctx); err != nil || len(got) != 0 {
			t.Fatalf("a new unit holds %d bytes, %v", len(got), err)
		}
		block, err := exampleBlock().Marshal()
		if err != nil {
			t.Fatal(err)
		}
		var refused *protocol.RefusedError
		if err := c.Commit(ctx, block); !errors.As(err, &refused) || refused.Code != protocol.CodeNotStaged {
			t.Errorf("commit of nothing: %v", err)
		}
		for range 2 { // twice does no harm
			if err := c.Stage(ctx, block); err != nil {
				t.Fatal(err)
			}
			if err := c.Commit(ctx, block); err != nil {
				t.Fatal(err)
			}
		}
		if got, err := c.ReadConstants(ctx); err != nil || !reflect.DeepEqual(got, block) {
			t.Fatalf("read back %d bytes, %v", len(got), err)
		}
		for _, w := range []protocol.Witness{exampleBlock().Witness, {}} {
			want, _ := (&protocol.Block{State: protocol.Voided, Witness: w}).Marshal()
			if err := c.Void(ctx, w); err != nil {
				t.Fatal(err)
			}
			if got, err := c.ReadConstants(ctx); err != nil || !reflect.DeepEqual(got, want) {
				t.Errorf("void: %x, %v", got, err)
			}
		}
	})
	if lost < 5 {
		t.Errorf("only %d answers were lost", lost)
	}
}

func TestRestartWithLostAnswer(t *testing.T) {
	u := newFakeUnit()
	u.tamper = func(n int, r protocol.Request, honest []byte) [][]byte {
		if n == 2 {
			return [][]byte{}
		}
		return nil
	}
	withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
		if err := c.Restart(ctx); err != nil {
			t.Error(err)
		}
		if _, err := c.Status(ctx); !errors.Is(err, protocol.ErrReset) {
			t.Errorf("status without a session: %v", err)
		}
		if _, err := c.Identify(ctx); err != nil {
			t.Error(err)
		}
		if _, err := c.Status(ctx); err != nil {
			t.Error(err)
		}
	})
}

func TestEchoIsNoAnswer(t *testing.T) {
	u := newFakeUnit()
	u.tamper = func(_ int, r protocol.Request, _ []byte) [][]byte {
		payload, _ := protocol.AppendRequest(nil, r)
		return [][]byte{protocol.AppendPacket(nil, payload)}
	}
	synctest.Test(t, func(t *testing.T) {
		c, end := u.line(protocol.Options{})
		defer end()
		if _, err := c.Identify(t.Context()); !errors.Is(err, protocol.ErrNoAnswer) {
			t.Errorf("got %v", err)
		}
		if s := c.Stats(); s.Echoes != 3 {
			t.Errorf("%+v", s)
		}
	})
}

func TestOtherVersion(t *testing.T) {
	u := newFakeUnit()
	u.id.ProtoLow, u.id.ProtoHigh = 2, 3
	synctest.Test(t, func(t *testing.T) {
		c, end := u.line(protocol.Options{})
		defer end()
		if _, err := c.Identify(t.Context()); !errors.Is(err, protocol.ErrVersion) {
			t.Errorf("got %v", err)
		}
	})
}

func TestLineGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, end := newFakeUnit().line(protocol.Options{})
		if _, err := c.Identify(t.Context()); err != nil {
			t.Fatal(err)
		}
		end()
		if _, err := c.Status(t.Context()); !errors.Is(err, protocol.ErrPortLost) {
			t.Errorf("got %v", err)
		}
	})
}

// TestStopFromAnotherGoroutine: a Stop gets in between two polls.
func TestStopFromAnotherGoroutine(t *testing.T) {
	u := newFakeUnit()
	withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
		result := make(chan error)
		go func() {
			_, err := c.Capture(ctx, capture20, nil)
			result <- err
		}()
		time.Sleep(350 * time.Millisecond) // virtual
		if err := c.Stop(ctx); err != nil {
			t.Error(err)
		}
		var ended *protocol.EndedError
		if err := <-result; !errors.As(err, &ended) || ended.Progress.End != protocol.Stopped {
			t.Errorf("got %v", err)
		}
	})
}
