package screen_test

import (
	"context"
	"errors"
	"io"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	tea "github.com/charmbracelet/bubbletea"

	"example.org/panecal/station"
	"example.org/panecal/station/screen"
	"example.org/panecal/station/screen/term"
	"example.org/panecal/station/shift"
)

// fuse blows once, where it is told to.
type fuse struct {
	where string
	once  sync.Once
}

func (f *fuse) at(where string) {
	if where == f.where {
		f.once.Do(func() { panic("a planted bug in " + where) })
	}
}

// fusedReader gives what is sent to it.
type fusedReader struct {
	*fuse
	where string
	io.Reader
}

func (r fusedReader) Read(p []byte) (int, error) {
	n, err := r.Reader.Read(p)
	r.at(r.where)
	return n, err
}

type fusedWriter struct {
	*fuse
	*glass
}

func (w fusedWriter) Write(p []byte) (int, error) {
	if string(p) == "\a" {
		w.at("bell")
	}
	return w.glass.Write(p)
}

// TestPanicEndsTheScreen plants a panic in everything that the screen is
// connected with: it ends, gives the terminal back, and tells who failed.
func TestPanicEndsTheScreen(t *testing.T) {
	for where, plain := range map[string]bool{
		"keys": false, "clock": false, "send": false, "scanner": false, "leave": false, "bell": false,
		"plain keys": true, "plain send": true, "plain scanner": true} {
		t.Run(where, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := &fuse{where: strings.TrimPrefix(where, "plain ")}
				in, keys := io.Pipe()
				scans, scanner := io.Pipe()
				g := fusedWriter{f, new(glass)}
				colour := term.Colourless
				var told []string
				ticking := false
				var mu sync.Mutex
				o := screen.Options{In: fusedReader{f, "keys", in}, Scanner: fusedReader{f, "scanner", scans}, Out: g, Snapshots: screen.NewMailbox(),
					Colour: &colour, Bell: true,
					Send:  func(shift.Input) { f.at("send") },
					Leave: func() { f.at("leave") },
					Now: func() time.Time {
						mu.Lock()
						defer mu.Unlock()
						if ticking {
							f.at("clock")
						}
						return time.Now()
					},
					Panicked: func(what any, stack []byte) {
						mu.Lock()
						defer mu.Unlock()
						told = append(told, what.(string))
						if !strings.Contains(string(stack), "panic") {
							t.Errorf("no stack: %s", stack)
						}
					}}
				done := make(chan error, 1)
				go func() {
					if plain {
						done <- screen.RunPlain(context.Background(), o)
					} else {
						done <- screen.Run(context.Background(), o)
					}
				}()
				settle := func() { time.Sleep(300 * time.Millisecond); synctest.Wait() }
				settle()
				mu.Lock()
				ticking = true
				mu.Unlock()
				switch f.where {
				case "leave":
					_, _ = io.WriteString(keys, "\x11")
					settle()
					_, _ = io.WriteString(keys, "\x11")
				case "scanner":
					_, _ = io.WriteString(scanner, "A\r")
				case "bell":
					o.Snapshots.Put(bench(3))
					settle()
					o.Snapshots.Put(judged(bench(3), 0, passed, station.HandsScan))
				default:
					_, _ = io.WriteString(keys, "A\r")
				}
				settle()
				time.Sleep(2 * time.Second)
				select {
				case err := <-done:
					if !errors.Is(err, screen.ErrPanic) {
						t.Errorf("ended with %v", err)
					}
				default:
					t.Error("the screen goes on")
				}
				if out := g.since(); !plain && (!strings.Contains(out, "\x1b[?1049l") || strings.Contains(out, "goroutine")) {
					t.Errorf("the terminal is not given back as it was: %q", out[max(0, len(out)-200):])
				}
				mu.Lock()
				defer mu.Unlock()
				if len(told) != 1 || told[0] != "a planted bug in "+f.where {
					t.Errorf("told of %q", told)
				}
				in.Close()
				scans.Close()
			})
		})
	}
}

// failing is a model that fails in one of its methods.
type failing struct{ where string }

func (b failing) Init() tea.Cmd { return nil }
func (b failing) Update(tea.Msg) (tea.Model, tea.Cmd) {
	if b.where == "update" {
		panic(b.where)
	}
	return b, nil
}
func (b failing) View() string {
	if b.where == "view" {
		panic(b.where)
	}
	return "drawn"
}

// TestPanicOfTheModel: what the loop calls fails as the screen's goroutines do.
func TestPanicOfTheModel(t *testing.T) {
	for _, where := range []string{"update", "view"} {
		ctx, end := context.WithCancelCause(t.Context())
		told := any(nil)
		m := screen.Guarded(failing{where}, func(what any, _ []byte) { told = what }, end)
		m, _ = m.Update(nil)
		drawn := m.View()
		if told != where || !errors.Is(context.Cause(ctx), screen.ErrPanic) || (drawn == "drawn") != (where == "update") {
			t.Errorf("%s: told %v, ended %v, drawn %q", where, told, context.Cause(ctx), drawn)
		}
	}
}
