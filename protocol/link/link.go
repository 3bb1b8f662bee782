package link

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"
	"sync"
	"time"

	"example.org/panecal/store/hold"
)

var (
	// ErrClosed says that the link was closed on our side.
	ErrClosed = fmt.Errorf("link: %w", os.ErrClosed)
	// ErrLost says that the line is gone: pulled, hung up, or stuck.
	ErrLost = errors.New("line lost")
)

// writeWatchdog is how long a line may take no byte at all.
const writeWatchdog = time.Second

// Options of a link; the zero value serves for TCP.
type Options struct {
	Baud      int    // of a serial line; 8N1, no flow control
	OpenText  string // opens protocol mode on a unit with a console
	CloseText string // closes it
	LockDir   string // where lock files are; "" for os.TempDir()
	Ports     *Ports // what is known of ports that were open before; nil for nothing

	// Panicked, if not nil, is told of a panic in the goroutines that own a
	// serial port, after which the line is lost. It is called from them.
	Panicked func(what any, stack []byte)
}

// line is a serial or a TCP line. close may be called once.
type line interface {
	Read([]byte) (int, error)
	Write([]byte) (int, error)
	SetReadDeadline(time.Time) error
	discard() // what was received and not read
	close() error
}

// Link is an open line to one unit.
type Link struct {
	line
	opt  Options
	lock *hold.Hold

	mu     sync.Mutex
	closed bool
}

// Open opens a line: "tcp:HOST:PORT" on loopback, anything else names a
// serial port. It forgets what the port had received before, and sends the
// text that opens protocol mode. The unit may be restarting because its port
// was opened: whoever identifies it has to be patient, and to Resume.
func Open(ctx context.Context, address string, opt Options) (*Link, error) {
	l, err := open(ctx, address, opt)
	if err != nil {
		return nil, fmt.Errorf("opening %s: %w", address, err)
	}
	if err := l.Resume(); err != nil {
		l.Close()
		return nil, fmt.Errorf("opening %s: %w", address, err)
	}
	return l, nil
}

func open(ctx context.Context, address string, opt Options) (*Link, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	lock, err := takeLock(opt.LockDir, address)
	if err != nil {
		return nil, err
	}
	var line line
	if host, ok := strings.CutPrefix(address, "tcp:"); ok {
		line, err = dial(ctx, host)
	} else {
		line, err = openPort(address, opt)
	}
	if err != nil {
		return nil, errors.Join(err, lock.Release())
	}
	return &Link{line: line, opt: opt, lock: lock}, nil
}

// openPort opens a serial port that is no terminal of anybody's, and the one that
// it was. It is asked again after it is open: what it is may change between.
func openPort(address string, opt Options) (line, error) {
	now, err := originOf(address, "/sys", "/proc")
	if err == nil {
		err = opt.Ports.check(address, now, time.Now())
	}
	if err != nil {
		return nil, err
	}
	l, err := openSerial(address, opt)
	if err != nil {
		return nil, err
	}
	if then, err := originOf(address, "/sys", "/proc"); err != nil {
		return nil, errors.Join(err, l.close())
	} else if then.socket != now.socket {
		return nil, errors.Join(&ForeignError{address, "became another port while it was opened"}, l.close())
	}
	opt.Ports.opened(address, now)
	return l, nil
}

// Resume opens protocol mode again, as after a restart of the unit, and
// forgets what was received so far.
func (l *Link) Resume() error {
	l.discard()
	if l.opt.OpenText == "" {
		return nil
	}
	_, err := l.Write([]byte(l.opt.OpenText))
	return err
}

// Close sends the text that closes protocol mode, if the line still takes
// it, and gives the port back. Reads and writes that wait return ErrClosed.
// Closing again does nothing.
func (l *Link) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return nil
	}
	l.closed = true
	if l.opt.CloseText != "" {
		_, _ = l.Write([]byte(l.opt.CloseText)) // a lost line needs no farewell
	}
	return errors.Join(l.line.close(), l.lock.Release())
}

// dial opens a TCP line on loopback, and nowhere else: the protocol has no
// notion of who is speaking.
func dial(ctx context.Context, address string) (line, error) {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return nil, err
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, fmt.Errorf("%s is not on loopback: run the bridge on this machine", host)
	}
	conn, err := (&net.Dialer{Timeout: 5 * time.Second}).DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	return &tcpLine{Conn: conn}, nil
}
