package screen_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/limits/visible"
	"example.org/panecal/station"
	"example.org/panecal/station/screen"
	"example.org/panecal/station/screen/term"
	"example.org/panecal/station/shift"
)

// glass is a terminal's output side that keeps count.
type glass struct {
	mu      sync.Mutex
	written bytes.Buffer
}

func (g *glass) Write(p []byte) (int, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.written.Write(p)
}

// since returns what was written after the last call.
func (g *glass) since() string {
	g.mu.Lock()
	defer g.mu.Unlock()
	s := g.written.String()
	g.written.Reset()
	return s
}

// session is a running screen in a bubble of virtual time.
type session struct {
	keys  *io.PipeWriter
	glass *glass
	box   *screen.Mailbox
	done  chan error

	mu     sync.Mutex
	inputs []shift.Input
}

func start(ctx context.Context, depth term.Depth, leave func()) *session {
	in, keys := io.Pipe()
	s := &session{keys: keys, glass: new(glass), box: screen.NewMailbox(), done: make(chan error, 1)}
	go func() {
		s.done <- screen.Run(ctx, screen.Options{In: in, Out: s.glass, Snapshots: s.box, Colour: &depth, Leave: leave,
			Send: func(in shift.Input) {
				s.mu.Lock()
				defer s.mu.Unlock()
				s.inputs = append(s.inputs, in)
			}})
		in.Close()
	}()
	s.box.Put(bench(3))
	s.settle()
	return s
}

// settle lets more time pass than a frame and a silence take.
func (s *session) settle() {
	time.Sleep(300 * time.Millisecond)
	synctest.Wait()
}

func (s *session) key(raw string) {
	_, _ = io.WriteString(s.keys, raw)
	s.settle()
}

func (s *session) got() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	var all []string
	for _, in := range s.inputs {
		all = append(all, fmt.Sprintf("%d:%s", in.Kind, visible.Text(in.Text)))
	}
	return all
}

func (s *session) running() bool {
	select {
	case err := <-s.done:
		s.done <- err
		return false
	default:
		return true
	}
}

func TestRunTakesScansAndKeys(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := start(t.Context(), term.Colourless, nil)
		s.key("\x02HP54-000017-7\x03\r") // a frame that ends in what a terminal takes for Ctrl-C
		s.key("\x1b[200~HP54-000018-5\r")
		s.key("HP54-000019-3") // no suffix
		s.key("\r")
		s.key("Ger\xe4t-01\r")
		s.key("\x03")
		want := "[1:HP54-000017-7 1:HP54-000018-5 1:HP54-000019-3 3: 2:Ger<E4>t-01]"
		if got := fmt.Sprint(s.got()); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
		if !s.running() {
			t.Fatal("a scan or Ctrl-C ended the screen")
		}
		if out := s.glass.since(); !strings.Contains(out, "To leave, press Ctrl-Q twice") {
			t.Errorf("Ctrl-C is not answered")
		}
		s.key("\x11")
		s.key("HP54-000020-1\r") // something else: the question is withdrawn
		s.key("\x11")
		if !s.running() {
			t.Fatal("one Ctrl-Q ended the screen")
		}
		s.key("\x11")
		if err := <-s.done; err != nil {
			t.Errorf("left with %v", err)
		}
		s.keys.Close()
	})
}

func TestRunLeavesWhenTheStationHasClosed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		left := 0
		s := start(t.Context(), term.Colourless, func() { left++ })
		s.key("\x11")
		s.key("\x11")
		if left != 1 || !s.running() {
			t.Fatalf("left %d times, running %v: want 1 and still running", left, s.running())
		}
		closed := bench(3)
		closed.Closed = true
		s.box.Put(closed)
		s.settle()
		if err := <-s.done; err != nil {
			t.Errorf("left with %v", err)
		}
		s.keys.Close()
	})
}

func TestRunEndsWithItsContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		s := start(ctx, term.Colourless, nil)
		cancel()
		if err := <-s.done; !errors.Is(err, context.Canceled) {
			t.Errorf("got %v", err)
		}
		s.keys.Close()
	})
}

func TestSkipAsksFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := start(t.Context(), term.Colourless, nil)
		s.key("\x18")
		if out := s.glass.since(); !strings.Contains(out, "There is no attempt to end") {
			t.Errorf("Ctrl-X with nothing to end: %q", out)
		}
		s.box.Put(call(counting(bench(3), 1, station.EmptyCapture, 50), 1, station.HandsWait))
		s.settle()
		s.key("\x18")
		if got := s.got(); len(got) > 0 {
			t.Fatalf("sent %v after one Ctrl-X", got)
		}
		// The hands are sent elsewhere between the two keys: it asks anew.
		s.box.Put(call(counting(counting(bench(3), 1, station.EmptyCapture, 50), 2, station.EmptyCapture, 5), 2, station.HandsWait))
		s.settle()
		s.key("\x18")
		if got := s.got(); len(got) > 0 {
			t.Fatalf("sent %v for another nest", got)
		}
		s.key("\x18")
		s.mu.Lock()
		if len(s.inputs) != 1 || s.inputs[0].Kind != shift.Skip || s.inputs[0].Nest != 2 {
			t.Errorf("sent %+v", s.inputs)
		}
		s.mu.Unlock()
		s.key("\x11")
		s.key("\x11")
		<-s.done
		s.keys.Close()
	})
}

// As fast as the terminal takes them: every label arrives, in order, alone.
func TestTwoThousandScans(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := start(t.Context(), term.Colourless, nil)
		var raw strings.Builder
		for i := range 2000 {
			fmt.Fprintf(&raw, "HP54-%06d-7\r", i)
		}
		if _, err := io.WriteString(s.keys, raw.String()); err != nil {
			t.Fatal(err)
		}
		s.settle()
		got := s.got()
		if len(got) != 2000 {
			t.Fatalf("%d labels", len(got))
		}
		for i, g := range got {
			if want := fmt.Sprintf("1:HP54-%06d-7", i); g != want {
				t.Fatalf("label %d is %q", i, g)
			}
		}
		s.key("\x11")
		s.key("\x11")
		<-s.done
		s.keys.Close()
	})
}

// stuck is a terminal that stopped reading.
type stuck struct{ until chan struct{} }

func (s stuck) Write(p []byte) (int, error) {
	<-s.until
	return len(p), nil
}

func TestStuckTerminalStopsNobody(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		out := stuck{make(chan struct{})}
		box := screen.NewMailbox()
		depth := term.Colourless
		done := make(chan error, 1)
		go func() { done <- screen.Run(ctx, screen.Options{Out: out, Snapshots: box, Colour: &depth}) }()
		began := time.Now()
		for range 10_000 {
			box.Put(bench(3)) // the station's side
		}
		time.Sleep(time.Second)
		for range 10_000 {
			box.Put(bench(3))
		}
		if took := time.Since(began); took != time.Second {
			t.Errorf("the station waited %v", took-time.Second)
		}
		cancel()
		began = time.Now()
		err := <-done
		if took := time.Since(began); took > 2*time.Second || !errors.Is(err, context.Canceled) || !strings.Contains(err.Error(), "takes no output") {
			t.Errorf("ended after %v with %v", took, err)
		}
		close(out.until)
		time.Sleep(time.Second)
	})
}

// A station that does not take entries makes nobody else wait; the operator is
// told once too many are waiting.
func TestBusyStation(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		in, keys := io.Pipe()
		g, box, free, depth := new(glass), screen.NewMailbox(), make(chan struct{}), term.Colourless
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() {
			done <- screen.Run(ctx, screen.Options{In: in, Out: g, Snapshots: box, Colour: &depth, Send: func(shift.Input) { <-free }})
			in.Close()
		}()
		box.Put(bench(1))
		for i := range 4200 {
			fmt.Fprintf(keys, "HP54-%06d-7\r", i)
		}
		time.Sleep(time.Second)
		if out := g.since(); !strings.Contains(out, "The station is busy") {
			t.Error("the operator is not told")
		}
		close(free)
		cancel()
		<-done
		keys.Close()
	})
}

func TestRunWantsATerminal(t *testing.T) {
	f, err := os.Create(t.TempDir() + "/file")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := screen.Run(t.Context(), screen.Options{Out: f}); !errors.Is(err, screen.ErrNoTerminal) {
		t.Errorf("got %v", err)
	}
	if info, err := f.Stat(); err != nil || info.Size() > 0 {
		t.Errorf("something was written: %v, %v", info, err)
	}
}

// What one change costs on the line, in bytes. The bounds are about twice what
// was measured; a whole screen in true colour is some 6 kB.
func TestBytesPerUpdate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := start(t.Context(), term.TrueColour, nil)
		first := len(s.glass.since())
		snap := call(counting(counting(counting(bench(3), 0, station.EmptyCapture, 0), 1, station.TargetCapture, 0), 2, station.VerifyCapture, 0), 0, station.HandsWait)
		s.box.Put(snap)
		s.settle()
		s.glass.since()
		var progress, n int
		for p := int64(2); p <= 100; p += 2 {
			snap = bench(3)
			snap = call(counting(counting(counting(snap, 0, station.EmptyCapture, p), 1, station.TargetCapture, p/2), 2, station.VerifyCapture, p/3), 0, station.HandsWait)
			s.box.Put(snap)
			s.settle()
			progress += len(s.glass.since())
			n++
		}
		s.box.Put(judged(snap, 0, passed, station.HandsPassed))
		s.settle()
		verdict := len(s.glass.since())
		s.box.Put(judged(snap, 0, passed, station.HandsPassed))
		s.settle()
		same := len(s.glass.since())
		t.Logf("80x24, true colour: first screen %d B, three nests' progress %d B, verdict %d B, same snapshot again %d B",
			first, progress/n, verdict, same)
		if progress/n > 1000 || verdict > 8000 || same > 0 || first > 8000 {
			t.Error("more than it was")
		}
		s.key("\x11")
		s.key("\x11")
		<-s.done
		s.keys.Close()
	})
}

// Changes that come faster than pictures cost pictures: the first is drawn at
// once, none is forgotten.
func TestPicturesPerSecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		var changes, drawn, shown atomic.Int64
		changed := make(chan struct{}, 1)
		began := time.Now()
		go screen.Pace(ctx, changed, func() {
			if drawn.Add(1) == 1 && time.Since(began) > 0 {
				t.Errorf("the first picture came after %v", time.Since(began))
			}
			shown.Store(changes.Load())
		})
		for range 1000 {
			changes.Add(1)
			screen.Token(changed)
			synctest.Wait()
			time.Sleep(time.Millisecond)
		}
		time.Sleep(time.Second)
		if drawn.Load() != 11 || shown.Load() != 1000 {
			t.Errorf("%d pictures of 1000 changes, the last shows %d", drawn.Load(), shown.Load())
		}
	})
}

// Snapshots that come faster than frames cost frames, not snapshots.
func TestFramesPerSecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := start(t.Context(), term.Colourless, nil)
		s.glass.since()
		frames := 0
		for i := range 1000 {
			s.box.Put(counting(bench(3), 0, station.EmptyCapture, int64(i)/10))
			time.Sleep(time.Millisecond)
			synctest.Wait()
			if s.glass.since() != "" {
				frames++
			}
		}
		if frames > 11 || frames < 5 {
			t.Errorf("%d frames in a second", frames)
		}
		// Of two that come at once the newer one is shown, and stays.
		s.box.Put(counting(bench(3), 0, station.EmptyCapture, 12))
		s.box.Put(counting(bench(3), 0, station.EmptyCapture, 100))
		s.settle()
		if last := s.glass.since(); !strings.Contains(last, "100 %") || strings.Contains(last, "12 %") {
			t.Errorf("the last snapshot is not what is shown: %q", last)
		}
		s.key("\x11")
		s.key("\x11")
		<-s.done
		s.keys.Close()
	})
}
