package protocol_test

import (
	"net"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol"
)

// pacedWire is one direction of a serial line on the virtual clock: a byte
// takes its ten bits, and arrives `late` after its last one.
type pacedWire struct {
	net.Conn // the end that the receiver's pipe hangs on
	byteTime time.Duration
	late     time.Duration
	blocking bool // writing takes as long as sending, as on a unit

	queue chan pacedChunk
	mu    sync.Mutex
	free  time.Time // when the line has sent all it was given
	first time.Time // beginning of the first byte since mark
	busy  time.Duration
}

type pacedChunk struct {
	data []byte
	due  time.Time
}

func (w *pacedWire) Write(p []byte) (int, error) {
	for at := 0; at < len(p); at += 16 {
		chunk := append([]byte(nil), p[at:min(at+16, len(p))]...)
		took := time.Duration(len(chunk)) * w.byteTime
		w.mu.Lock()
		if now := time.Now(); w.free.Before(now) {
			w.free = now
		}
		if w.first.IsZero() {
			w.first = w.free
		}
		w.free = w.free.Add(took)
		w.busy += took
		due, free := w.free.Add(w.late), w.free
		w.mu.Unlock()
		w.queue <- pacedChunk{chunk, due}
		if w.blocking {
			time.Sleep(time.Until(free))
		}
	}
	return len(p), nil
}

func (w *pacedWire) run() {
	for c := range w.queue {
		time.Sleep(time.Until(c.due))
		if _, err := w.Conn.Write(c.data); err != nil {
			for range w.queue {
			}
			return
		}
	}
}

// mark begins a measurement; share ends it: the share of the time from the
// first to the last byte in which the line sent.
func (w *pacedWire) mark() {
	w.mu.Lock()
	w.first, w.busy = time.Time{}, 0
	w.mu.Unlock()
}

func (w *pacedWire) share() (float64, time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	span := w.free.Sub(w.first)
	return w.busy.Seconds() / span.Seconds(), span
}

type readWriter struct {
	net.Conn
	w *pacedWire
}

func (rw readWriter) Write(p []byte) (int, error) { return rw.w.Write(p) }

// busyShare fetches one capture of 54 x 96 counts over a line of 921,600 Bd
// whose answers reach the station 16 ms late, and returns the share of the
// time from the first to the last answer byte in which the line was busy.
func busyShare(t testing.TB, maxOut, held int, shrink uint32) (share float64, span time.Duration, requests int) {
	u := newFakeUnit()
	u.id.MaxOut, u.id.MaxHeld = maxOut, held
	for _, bins := range u.counts {
		for b := range bins {
			bins[b] /= shrink
		}
	}
	here, hereFar := net.Pipe()
	there, thereFar := net.Pipe()
	const byteTime = 10 * time.Second / 921_600
	up := &pacedWire{Conn: hereFar, byteTime: byteTime, late: 16 * time.Millisecond, blocking: true, queue: make(chan pacedChunk, 1<<16)}
	down := &pacedWire{Conn: thereFar, byteTime: byteTime, queue: make(chan pacedChunk, 1<<16)}
	var done sync.WaitGroup
	done.Go(up.run)
	done.Go(down.run)
	done.Go(func() { u.serve(readWriter{there, up}) })
	c := protocol.NewClient(readWriter{here, down}, protocol.Options{Baud: 921_600})
	ctx := t.Context()
	if _, err := c.Identify(ctx); err != nil {
		t.Fatal(err)
	}
	got, err := c.Capture(ctx, capture20, nil)
	if err != nil {
		t.Fatal(err)
	}
	before := c.Stats().Requests
	up.mark()
	if err := c.Fetch(ctx, got); err != nil {
		t.Fatal(err)
	}
	if tb, ok := t.(*testing.T); ok {
		checkCapture(tb, u, got)
	}
	share, span = up.share()
	requests = c.Stats().Requests - before
	if s := c.Stats(); s.Retries != 0 {
		t.Errorf("%d requests were repeated", s.Retries)
	}
	for _, end := range []net.Conn{here, hereFar, there, thereFar} {
		end.Close()
	}
	close(up.queue)
	close(down.queue)
	done.Wait()
	return share, span, requests
}

func TestLineIsBusy(t *testing.T) {
	for _, tt := range []struct {
		name         string
		maxOut, held int
		shrink       uint32
		least        float64
		most         int // requests
	}{
		{"1 KiB, 4 held, 16-bit counts", 1024, 4, 1, 0.95, 17},
		{"2 KiB, 3 held, 16-bit counts", 2048, 3, 1, 0.95, 10},
		{"2 KiB, 2 held, 16-bit counts", 2048, 2, 1, 0.90, 10},
		{"1 KiB, 4 held, 8-bit counts", 1024, 4, 120, 0.95, 11},
		{"512 B, 8 held, 16-bit counts", 512, 8, 1, 0.95, 34},
		{"1 KiB, 1 held: what flight is for", 1024, 1, 1, 0, 17},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				share, span, requests := busyShare(t, tt.maxOut, tt.held, tt.shrink)
				t.Logf("line busy %.1f %% of %v, %d requests", 100*share, span, requests)
				if share < tt.least || requests > tt.most {
					t.Errorf("busy %.3f of the time with %d requests, want %.2f and %d", share, requests, tt.least, tt.most)
				}
			})
		})
	}
}
