package runner_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/firmware"
	"example.org/panecal/protocol/link"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/station/runner"
	"example.org/panecal/testdata/figures"
)

// The station in real time, on pseudo-terminals, with units of two
// implementations that share no code: the simulated unit, and the C firmware
// kit with the simulated unit's scene and photons.

// onLine is a unit of either implementation in its nest.
type onLine struct {
	*simunit.Unit // scene, hands and photons
	port          string
	reset         func() error
	cutAt         func(write int) error // the power fails there
	lit           func() (bool, error)
}

// kitGrace is what a computer that runs many tests at once needs beyond the
// 100 ms of an answer.
const kitGrace = 5 * time.Second

const kitSpeed = 10 // exposures are so many times shorter

var implementations = []string{"simulated", "firmware kit"}

// putOnLine starts a unit of an implementation on a pseudo-terminal.
func putOnLine(t *testing.T, implementation, program string, m simunit.Model, speed float64) *onLine {
	t.Helper()
	// The hands come back, for a unit that is measured twice.
	var hands []simunit.Move
	for range 3 {
		// The station needs a while to be sure of the mark.
		hands = append(hands, simunit.Move{On: simunit.Emptied, After: 100 * time.Millisecond, Do: simunit.PlaceTarget},
			simunit.Move{On: simunit.Released, After: 1500 * time.Millisecond, Do: simunit.TakeOut})
		hands = append(hands, simunit.Move{On: simunit.Lifted, Do: simunit.ClearField})
	}
	u, err := simunit.New(m, 7, simunit.Options{Serial: serial(t, m, 7), Hands: hands, Speed: speed, Out: true})
	if err != nil {
		t.Fatal(err)
	}
	if implementation == "simulated" {
		port, err := simunit.ServePTY(t.Context(), u)
		if err != nil {
			t.Fatal(err)
		}
		return &onLine{Unit: u, port: port,
			reset: func() error { u.Reset(); return nil },
			cutAt: func(n int) error { u.CutAt(n); return nil },
			lit:   func() (bool, error) { return u.EmitterOn(), nil }}
	}
	alike, err := simunit.New(m, 7, simunit.Options{Serial: u.Serial()}) // in its nest: it can be asked who it is
	if err != nil {
		t.Fatal(err)
	}
	h, err := firmware.Start(t.Context(), program, firmware.Options{Twin: u, Alike: alike, Speed: speed,
		Pulse: &firmware.Pulse{StartPS: m.Pulse.StartPS, StepPS: m.Pulse.StepPS, Density: m.Pulse.Density}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := h.Close(); err != nil {
			t.Error(err)
		}
	})
	do := func(format string, args ...any) error {
		_, err := h.Do(fmt.Sprintf(format, args...))
		return err
	}
	return &onLine{Unit: u, port: h.Path(),
		reset: func() error { return do("reset") },
		cutAt: func(n int) error { return do("cut %d", n) },
		lit:   h.EmitterOn}
}

// stored reads the constants that the unit holds, past the station.
func (u *onLine) stored(ctx context.Context) (*protocol.Block, error) {
	u.Seat(simunit.Seating{})
	l, err := link.Open(ctx, u.port, link.Options{Baud: 921600})
	if err != nil {
		return nil, err
	}
	defer l.Close()
	c := protocol.NewClient(l, protocol.Options{Grace: kitGrace})
	for range 5 { // the power has just come back
		if _, err = c.Identify(ctx); err == nil {
			break
		}
	}
	if err != nil {
		return nil, err
	}
	data, err := c.ReadConstants(ctx)
	if err != nil {
		return nil, err
	}
	return protocol.ParseBlock(data)
}

// ptyDialer opens real serial lines.
type ptyDialer struct{}

func (ptyDialer) Dial(ctx context.Context, n product.Nest) (station.Line, error) {
	l, err := link.Open(ctx, n.Port, link.Options{Baud: 921600})
	if err != nil {
		return nil, err
	}
	return &ptyLine{protocol.NewClient(l, protocol.Options{Grace: kitGrace}), l}, nil
}

type ptyLine struct {
	*protocol.Client
	link *link.Link
}

func (p *ptyLine) Close() error { return p.link.Close() }

// kitRig is a station in real time with one nest.
type kitRig struct {
	*runner.Runner
	log  *memory
	unit *onLine
	end  func() error

	mu       sync.Mutex
	verdicts []station.Verdict
}

func startKitRig(t *testing.T, u *onLine) *kitRig {
	t.Helper()
	b := &kitRig{log: &memory{}, unit: u}
	f := samples(t, u.Model().Product, 1, "")
	f.Sheet.Nests[0].Port = u.port
	f.Product.Retest.AfterPass = true
	var err error
	b.Runner, err = runner.New(station.Config{Station: "cal-1", Purpose: station.Production, Files: f, Operator: "op-1", HandsTime: 30 * time.Second},
		runner.Options{Dial: ptyDialer{}, Log: b.log, Past: b.log, OnVerdict: func(v station.Verdict) {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.verdicts = append(b.verdicts, v)
		}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancelCause(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	b.end = sync.OnceValue(func() error {
		cancel(errors.New("the test is over"))
		return <-done
	})
	t.Cleanup(func() { _ = b.end() }) // of a test that gave up early
	return b
}

func (b *kitRig) seen() []station.Verdict {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]station.Verdict(nil), b.verdicts...)
}

func (b *kitRig) await(t *testing.T, what string, there func() bool) {
	t.Helper()
	for limit := time.Now().Add(time.Minute); !there(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("no %s: %+v, verdicts %+v", what, b.Snapshot(), b.seen())
		}
	}
}

func (b *kitRig) scanAndSeat(text string) {
	b.Scan(0, text)
	b.unit.Seat(simunit.Seating{})
}

func (b *kitRig) verdict(t *testing.T, n int) station.Verdict {
	t.Helper()
	b.await(t, "verdict", func() bool { return len(b.seen()) >= n })
	return b.seen()[n-1]
}

func (b *kitRig) lit(t *testing.T) bool {
	on, err := b.unit.lit()
	if err != nil {
		t.Fatal(err)
	}
	return on
}

// TestBothImplementations takes a unit of each implementation through the
// station. Each story ends the same way on both, nothing is released that
// holds other constants than the record says, and no light stays on. Those with
// the shortest captures are told here, all of them in `make kit-station`.
func TestBothImplementations(t *testing.T) {
	t.Parallel()
	program, err := kitProgram("")
	if errors.Is(err, firmware.ErrNoCompiler) {
		t.Skip(err)
	} else if err != nil {
		t.Fatal(err)
	}
	once := func(t *testing.T, b *kitRig) {
		b.scanAndSeat(b.unit.Serial())
		b.verdict(t, 1)
	}
	// inLight meddles as soon as the emitter is on.
	inLight := func(meddle func(*testing.T, *kitRig)) func(*testing.T, *kitRig) {
		return func(t *testing.T, b *kitRig) {
			b.scanAndSeat(b.unit.Serial())
			b.await(t, "light", func() bool { return b.lit(t) })
			meddle(t, b)
		}
	}
	var all sync.WaitGroup
	places := make(chan bool, 5)
	told := 0
	for _, c := range []struct {
		name  string
		model simunit.Model
		speed float64
		story func(*testing.T, *kitRig)
		want  string // outcome, code and disposition of each verdict, attempts on record
	}{
		{"passes", simunit.Hopper54(), kitSpeed, once, "passed passed release; 1 on record"},
		{"summaries only", simunit.Hopper1(), kitSpeed, once, "passed passed release; 1 on record"},
		{"adjusted unit returns", simunit.Hopper1(), kitSpeed, func(t *testing.T, b *kitRig) {
			once(t, b)
			b.await(t, "empty nest", func() bool { return !b.unit.Seated() && b.Snapshot().Nests[0].Step == station.Vacant })
			b.scanAndSeat(b.unit.Serial())
			b.await(t, "question", func() bool { return b.Snapshot().Nests[0].Step == station.Confirming })
			b.Go(0)
			b.verdict(t, 2)
		}, "passed passed release, passed passed release; 2 on record"},
		{"power fails in a commit", simunit.Hopper1(), kitSpeed, func(t *testing.T, b *kitRig) {
			if err := b.unit.cutAt(1); err != nil {
				t.Fatal(err)
			}
			once(t, b)
		}, "error contents_unknown hold; 1 on record"},
		{"reset in a capture", simunit.Hopper1(), 1, inLight(func(t *testing.T, b *kitRig) {
			if err := b.unit.reset(); err != nil {
				t.Fatal(err)
			}
			b.verdict(t, 1)
		}), "error unit_reset hold; 1 on record"},
		{"end in a long capture", simunit.Hopper1(), 0.02, inLight(func(t *testing.T, b *kitRig) {
			if err := b.end(); err != nil {
				t.Error(err)
			}
		}), "aborted shut_down hold; 1 on record"},
		{"another label", simunit.Hopper1(), kitSpeed, func(t *testing.T, b *kitRig) {
			b.scanAndSeat(serial(t, simunit.Hopper1(), 8))
			b.verdict(t, 1)
		}, "error label_contradiction hold; 1 on record"},
	} {
		if !both && c.name != "summaries only" && c.name != "power fails in a commit" && c.name != "end in a long capture" {
			continue // make kit-station
		}
		told++
		for _, implementation := range implementations {
			// They wait for hands and clocks far more than they work.
			all.Go(func() {
				places <- true
				defer func() { <-places }()
				t.Run(c.name+" "+implementation, func(t *testing.T) {
					got := tellStory(t, putOnLine(t, implementation, program, c.model, c.speed), c.story)
					if got != c.want {
						t.Errorf("it ends with %q, want %q", got, c.want)
					}
				})
			})
		}
	}
	all.Wait()
	figures.Tell(t, "kit_station.stories", told, "stories", ">0", told > 0)
}

// tellStory runs one story and returns how it ended.
func tellStory(t *testing.T, u *onLine, story func(*testing.T, *kitRig)) (end string) {
	b := startKitRig(t, u)
	story(t, b)
	if err := b.end(); err != nil {
		t.Error(err)
	}
	if b.lit(t) {
		t.Error("the emitter is on after the end")
	}
	for i, v := range b.seen() {
		if i > 0 {
			end += ", "
		}
		end += fmt.Sprintf("%s %s %s", v.Outcome, v.Code, v.Disposition)
		b.log.confirm(t, v, nil)
		if !v.Released() {
			continue
		}
		if held, err := u.stored(t.Context()); err != nil || held.State != protocol.Released || held.Serial != v.Serial {
			t.Errorf("released as %s, it holds %+v (%v)", v.Serial, held, err)
		}
	}
	return fmt.Sprintf("%s; %d on record", end, len(b.log.attempts()))
}
