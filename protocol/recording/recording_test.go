package recording_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/recording"
	"example.org/panecal/protocol/simunit"
)

type speaker interface {
	Serve(ctx context.Context, line io.ReadWriter) error
}

// serve puts a unit on a pipe and returns the station's end.
func serve(t *testing.T, u speaker) (near net.Conn, end func()) {
	t.Helper()
	near, far := net.Pipe()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- u.Serve(ctx, far) }()
	return near, func() {
		cancel()
		<-done
		near.Close()
		far.Close()
	}
}

func unit(t *testing.T, o simunit.Options) *simunit.Unit {
	t.Helper()
	m := simunit.Hopper54()
	m.Rows, m.Cols, m.Ux, m.Uy = 1, 2, []float64{-0.1, 0.1}, []float64{0, 0}
	u, err := simunit.New(m, 7, o)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// session is what a station does; it returns what it got.
func session(t *testing.T, port protocol.Port, first uint32) (*protocol.Capture, []byte, protocol.Counters) {
	t.Helper()
	next := first
	c := protocol.NewClient(port, protocol.Options{NewSession: func() uint32 { next++; return next }})
	ctx := t.Context()
	if _, err := c.Identify(ctx); err != nil {
		t.Fatal(err)
	}
	got, err := c.Capture(ctx, protocol.CaptureRequest{Kind: protocol.Histograms, Shots: 500_000, Frames: 2}, nil)
	if err != nil {
		t.Fatal(err)
	}
	b := &protocol.Block{Serial: "FH000001", Rows: 1, Cols: 2, Leakage: []int32{1, 2}, Offsets: []int32{3}, State: protocol.Written}
	block, err := b.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(c.Stage(ctx, block), c.Commit(ctx, block)); err != nil {
		t.Fatal(err)
	}
	held, err := c.ReadConstants(ctx)
	if err != nil {
		t.Fatal(err)
	}
	return got, held, c.Stats()
}

// record makes a recording of a session with a unit that has faults.
func record(t *testing.T, faults []simunit.Fault) (text []byte, capture *protocol.Capture, held []byte, stats protocol.Counters) {
	near, end := serve(t, unit(t, simunit.Options{Serial: "FH000001", Faults: faults}))
	defer end()
	var file bytes.Buffer
	r := recording.Record(near, &file, nil)
	capture, held, stats = session(t, r, 100)
	if err := r.Err(); err != nil {
		t.Fatal(err)
	}
	return file.Bytes(), capture, held, stats
}

var faulty = []simunit.Fault{
	{Kind: simunit.FaultFlip, Op: protocol.OpFetch, After: 1}, {Kind: simunit.FaultLose, Op: protocol.OpStage},
	{Kind: simunit.FaultRepeat, Op: protocol.OpProgress}, {Kind: simunit.FaultBusy, Op: protocol.OpReadConstants, Time: 50 * time.Millisecond},
	{Kind: simunit.FaultNoise, Op: protocol.OpStop},
}

func TestPlayedToAStation(t *testing.T) {
	for name, faults := range map[string][]simunit.Fault{"a good line": nil, "an incident": faulty} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				text, capture, held, stats := record(t, faults)
				s, err := recording.Read(bytes.NewReader(text))
				if err != nil {
					t.Fatal(err)
				}
				p := recording.NewPlayer(s)
				near, end := serve(t, p)
				defer end()
				again, heldAgain, statsAgain := session(t, near, 9000) // other sessions, same questions
				if !equalCounts(capture, again) || !bytes.Equal(held, heldAgain) {
					t.Error("the player told other values")
				}
				if statsAgain.Retries != stats.Retries || statsAgain.BadPackets != stats.BadPackets || statsAgain.Busy != stats.Busy {
					t.Errorf("recorded %+v\nplayed %+v", stats, statsAgain)
				}
				if faults != nil && (stats.Retries == 0 || stats.BadPackets == 0 || stats.Busy == 0) {
					t.Errorf("the incident did not happen: %+v", stats)
				}
				if len(p.Strangers()) > 0 {
					t.Errorf("%d requests are not in the recording", len(p.Strangers()))
				}
			})
		})
	}
}

func equalCounts(a, b *protocol.Capture) bool {
	if len(a.Counts) != len(b.Counts) || a.TempMilliCel != b.TempMilliCel {
		return false
	}
	for i := range a.Counts {
		if a.Counts[i] != b.Counts[i] {
			return false
		}
	}
	return true
}

func TestStrangersGetNoAnswer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		text, _, _, _ := record(t, nil)
		s, err := recording.Read(bytes.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		p := recording.NewPlayer(s)
		near, end := serve(t, p)
		defer end()
		c := protocol.NewClient(near, protocol.Options{})
		if _, err := c.Identify(t.Context()); err != nil {
			t.Fatal(err)
		}
		if err := c.Void(t.Context(), protocol.Witness{}); !errors.Is(err, protocol.ErrNoAnswer) {
			t.Errorf("void: %v", err)
		}
		if got := p.Strangers(); len(got) != protocol.Tries || got[0].Body.Op() != protocol.OpVoid {
			t.Errorf("strangers: %v", got)
		}
	})
}

func TestPlayedToAUnit(t *testing.T) {
	for name, c := range map[string]struct {
		recorded, faults []simunit.Fault
		want             map[protocol.Op]bool // differences, by what was asked; nil: some
	}{
		"the same unit": {nil, nil, map[protocol.Op]bool{}},
		"a unit that answers otherwise": {nil, []simunit.Fault{{Kind: simunit.FaultLose, Op: protocol.OpProgress, Times: 100}},
			map[protocol.Op]bool{protocol.OpProgress: true}},
		"a unit that stores more slowly":       {nil, []simunit.Fault{{Kind: simunit.FaultBusy, Op: protocol.OpCommit, Time: 150 * time.Millisecond}}, map[protocol.Op]bool{}},
		"a unit that stores sooner":            {[]simunit.Fault{{Kind: simunit.FaultBusy, Op: protocol.OpCommit, Time: 150 * time.Millisecond}}, nil, map[protocol.Op]bool{}},
		"a unit that is not done with storing": {nil, []simunit.Fault{{Kind: simunit.FaultBusy, Op: protocol.OpCommit, Time: time.Hour}}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				text, _, _, _ := record(t, c.recorded)
				s, err := recording.Read(bytes.NewReader(text))
				if err != nil {
					t.Fatal(err)
				}
				near, end := serve(t, unit(t, simunit.Options{Serial: "FH000001", Faults: c.faults}))
				defer end()
				all, err := s.ToUnit(t.Context(), near)
				if err != nil {
					t.Fatal(err)
				}
				got := map[protocol.Op]bool{}
				for _, d := range all {
					got[d.Asked] = true
				}
				if c.want == nil && len(got) == 0 || c.want != nil && len(got) != len(c.want) {
					t.Errorf("differences: %+v", all)
				}
				for op := range c.want {
					if !got[op] {
						t.Errorf("no difference at %v: %+v", op, all)
					}
				}
			})
		})
	}
}

func TestReadRefuses(t *testing.T) {
	const head = "panecal recording 1 2026-03-04T05:06:07Z\n"
	for name, c := range map[string]struct {
		text string
		line int
	}{
		"nothing":             {"", 1},
		"another file":        {"{}\n", 1},
		"another version":     {"panecal recording 2 2026-03-04T05:06:07Z\n", 1},
		"no time":             {"panecal recording 1 yesterday\n", 1},
		"no direction":        {head + "1.0 00\n", 2},
		"another direction":   {head + "1.0 = 00\n", 2},
		"no bytes":            {head + "1.0 >\n", 2},
		"half a byte":         {head + "1.0 > 0\n", 2},
		"no hexadecimal":      {head + "1.0 > 0G\n", 2},
		"no number":           {head + "x > 00\n", 2},
		"a time that is none": {head + "NaN > 00\n", 2},
		"a negative time":     {head + "-1 > 00\n", 2},
		"a huge time":         {head + "1e300 > 00\n", 2},
		"time runs back":      {head + "5000 > 00\n\n# so\n10 < 00\n", 5},
		"an endless line":     {head + "1 > " + strings.Repeat("00 ", 200_000), 2},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := recording.Read(strings.NewReader(c.text))
			var bad *recording.SyntaxError
			if !errors.As(err, &bad) || bad.Line != c.line {
				t.Errorf("got %v, want a mistake in line %d", err, c.line)
			}
		})
	}
	if s, err := recording.Read(strings.NewReader(head + "# nothing else\n")); err != nil || len(s.Exchanges()) != 0 {
		t.Errorf("an empty recording: %v", err)
	}
}

type fullDisk struct{}

func (fullDisk) Write([]byte) (int, error) { return 0, os.ErrPermission }

func TestADiskThatIsFull(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, end := serve(t, unit(t, simunit.Options{}))
		defer end()
		r := recording.Record(near, fullDisk{}, nil)
		if _, err := protocol.NewClient(r, protocol.Options{}).Identify(t.Context()); err != nil {
			t.Errorf("the line suffers: %v", err)
		}
		if !errors.Is(r.Err(), os.ErrPermission) {
			t.Errorf("Err: %v", r.Err())
		}
	})
}

func FuzzRead(f *testing.F) {
	f.Add([]byte("panecal recording 1 2026-03-04T05:06:07Z\n1.0 > 00 0E 84 02 1A DE AD BE EF 02 A0 09 2C 45 DA 00\n2 < 00\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		s, err := recording.Read(bytes.NewReader(text))
		if err == nil {
			s.Exchanges()
		}
	})
}
