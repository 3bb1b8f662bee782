package screen

import (
	"context"
	"io"
	"time"

	"example.org/panecal/station/screen/term"
)

// listen hears a scanner with a port of its own out, and hands on each text. No
// byte of it is ever a key. It returns when r ends or ctx does; a reader that
// never returns keeps its goroutine.
func listen(ctx context.Context, g guard, r io.Reader, now func() time.Time, heard func(Entry)) {
	type piece struct {
		runes []rune
		at    time.Time
	}
	pieces := make(chan piece)
	g.start(func() {
		defer close(pieces)
		f := term.NewFilter(r)
		buf := make([]byte, 1024)
		for {
			n, err := f.Read(buf)
			select {
			case pieces <- piece{[]rune(string(buf[:n])), now()}:
			case <-ctx.Done():
				return
			}
			if err != nil {
				return
			}
		}
	})
	var c Collector
	tell := func(entries []Entry) {
		for _, e := range entries {
			if e.Key == NoKey {
				e.Typed = false
				heard(e)
			}
		}
	}
	silence := time.NewTimer(time.Hour)
	defer silence.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-silence.C:
			tell(c.Settle(now()))
		case p, ok := <-pieces:
			if !ok {
				tell(c.Settle(now().Add(Silence)))
				return
			}
			for _, r := range p.runes {
				tell(c.Add(r, p.at))
			}
			silence.Reset(Silence + 5*time.Millisecond)
		}
	}
}
