package link_test

import (
	"errors"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol/link"
)

// panicking is a port whose library fails in one call.
type panicking struct {
	*fakePort
	where string
	once  sync.Once
}

func (p *panicking) blow(where string) {
	if where == p.where {
		p.once.Do(func() { panic("a planted bug in " + where) })
	}
}
func (p *panicking) Read(b []byte) (int, error)  { p.blow("read"); return p.fakePort.Read(b) }
func (p *panicking) Write(b []byte) (int, error) { p.blow("write"); return p.fakePort.Write(b) }
func (p *panicking) Close() error                { err := p.fakePort.Close(); p.blow("close"); return err }
func (p *panicking) Unblock()                    { p.fakePort.Unblock(); p.blow("unblock") }

// TestPanicInTheLibraryLosesTheLine: it costs this line and nothing else;
// whoever waits is told, the port is closed, and somebody hears of it.
func TestPanicInTheLibraryLosesTheLine(t *testing.T) {
	for _, where := range []string{"read", "write", "close", "unblock"} {
		t.Run(where, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				port := &panicking{fakePort: newFakePort(), where: where}
				if where == "unblock" { // a write that hangs until then
					port.write = func([]byte) (int, error) { <-port.flushed; return 0, errors.New("flushed") }
				}
				var mu sync.Mutex
				var told []string
				l := link.NewGuarded(port, func(what any, stack []byte) {
					mu.Lock()
					defer mu.Unlock()
					told = append(told, what.(string))
					if !strings.Contains(string(stack), "panicking") {
						t.Errorf("the stack does not lead to the place:\n%s", stack)
					}
				})
				if err := l.SetReadDeadline(time.Now().Add(3 * time.Second)); err != nil && !errors.Is(err, link.ErrLost) {
					t.Error(err)
				}
				_, writeErr := l.Write([]byte("hello"))
				_, readErr := l.Read(make([]byte, 10))
				switch where {
				case "close":
					if writeErr != nil || !errors.Is(readErr, os.ErrDeadlineExceeded) {
						t.Errorf("before the close: %v, %v", writeErr, readErr)
					}
				default:
					if !errors.Is(readErr, link.ErrLost) {
						t.Errorf("Read returned %v", readErr)
					}
					if where != "read" && !errors.Is(writeErr, link.ErrLost) {
						t.Errorf("Write returned %v", writeErr)
					}
				}
				if err := l.Close(); err != nil {
					t.Error(err)
				}
				synctest.Wait()
				mu.Lock()
				defer mu.Unlock()
				if len(told) != 1 || told[0] != "a planted bug in "+where {
					t.Errorf("told of %q", told)
				}
				port.mu.Lock()
				defer port.mu.Unlock()
				if !port.closed {
					t.Error("the port is open")
				}
			})
		})
	}
}
