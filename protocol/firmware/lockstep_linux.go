package firmware

import (
	"bufio"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// Lockstep is the simulated unit in the time of who calls it: it has neither a
// clock nor a line of its own, stands still between two calls, and takes no
// time by the caller's clock. In a bubble of package testing/synctest it must
// be started, used and closed inside.
//
// All methods may be called at any time from any goroutine; Serve once at a
// time. After an error of a method the process is gone.
type Lockstep struct {
	process *exec.Cmd
	in, out *os.File
	lines   *bufio.Reader
	began   time.Time
	twin    *twin
	// One call at a time. A mutex would not do: who waits for one is not at
	// rest for a bubble, and its time would stand still.
	turn chan struct{}

	powered bool
	wake    time.Time     // there is something to do then; zero = only when something comes
	said    []byte        // for the line, not yet taken
	patient time.Duration // how long the program may compute, by the computer's clock
	err     error         // why the process is gone
}

// usualPatience is for a computer that runs many tests at once.
const usualPatience = 20 * time.Second

// StartLockstep starts a program that Build made. It must be closed. Nothing
// but a file can be Options.Stderr.
func StartLockstep(ctx context.Context, program string, o Options) (*Lockstep, error) {
	before, err := o.ask(ctx)
	if err != nil {
		return nil, err
	}
	l := &Lockstep{process: exec.Command(program, append(o.words(before.who()), "time=parent")...), began: time.Now(),
		turn: make(chan struct{}, 1), powered: true, patient: usualPatience}
	l.process.Stderr = o.Stderr
	inner, in, errIn := os.Pipe()
	out, outer, errOut := os.Pipe()
	if err := errors.Join(errIn, errOut); err != nil {
		return nil, fmt.Errorf("starting the simulated unit: %w", err)
	}
	l.in, l.out, l.lines = in, out, bufio.NewReader(out)
	l.process.Stdin, l.process.Stdout = inner, outer
	err = l.process.Start()
	inner.Close()
	outer.Close()
	if err != nil {
		return nil, errors.Join(fmt.Errorf("starting the simulated unit: %w", err), in.Close(), out.Close())
	}
	if before != nil {
		l.twin = newTwin(o.Twin)
		l.twin.identity = before.identity
	}
	if _, err = l.line(); err == nil { // the first tells the port that it has not
		err = prepare(l, o, before)
	}
	if err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

// line reads what the program says next. A program that is gone or hangs is
// an error.
func (l *Lockstep) line() (string, error) {
	if l.err != nil {
		return "", l.err
	}
	text, err := "", l.patience()
	if err == nil {
		text, err = l.lines.ReadString('\n')
	}
	if err != nil {
		l.err = fmt.Errorf("the simulated unit in lock step: %w", err)
		_ = l.process.Process.Kill() // it may be gone already
		return "", l.err
	}
	return strings.TrimSuffix(text, "\n"), nil
}

// patience waits until the program has said something, by the computer's
// clock and not by that of a bubble.
func (l *Lockstep) patience() error {
	if l.lines.Buffered() > 0 {
		return nil
	}
	raw, err := l.out.SyscallConn()
	if err != nil {
		return err
	}
	n := 0
	control := raw.Control(func(fd uintptr) {
		for tries := 0; tries < 3; tries++ {
			n, err = unix.Poll([]unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}, int(l.patient/time.Millisecond))
			if err != unix.EINTR {
				return
			}
		}
	})
	if err := errors.Join(control, err); err != nil {
		return err
	}
	if n == 0 {
		return fmt.Errorf("nothing said for %v", l.patient)
	}
	return nil
}

func (l *Lockstep) write(text string) error {
	if l.err != nil {
		return l.err
	}
	if _, err := l.in.WriteString(text); err != nil {
		l.err = fmt.Errorf("the simulated unit in lock step: %w", err)
	}
	return l.err
}

// send gives a command in the moment in which the program stands.
func (l *Lockstep) send(text, what string) (string, error) {
	if err := l.write(text); err != nil {
		return "", err
	}
	for {
		line, err := l.line()
		if err != nil {
			return "", err
		}
		if !strings.HasPrefix(line, "event ") {
			return valueOf(line, what)
		}
	}
}

// goOn lets the program live until now, when bytes come from the line.
func (l *Lockstep) goOn(data []byte) error {
	now := time.Now()
	if err := l.write(fmt.Sprintf("at %.6f %d\n%s", milliseconds(now.Sub(l.began)), len(data), data)); err != nil {
		return err
	}
	for {
		line, err := l.line()
		if err != nil {
			return err
		}
		word, rest, _ := strings.Cut(strings.TrimPrefix(line, "event "), " ")
		switch word {
		case "rest":
			l.wake = time.Time{}
			if ms, err := strconv.ParseFloat(rest, 64); err == nil && ms >= 0 {
				// Not before: a moment lost in rounding would be no progress.
				l.wake = l.began.Add(time.Duration(ms*1e6) + 1)
			}
			return nil
		case "said":
			said, err := hex.DecodeString(rest)
			if err != nil {
				return fmt.Errorf("the simulated unit in lock step: %w", err)
			}
			l.said = append(l.said, said...)
		case "line":
			if l.twin != nil {
				l.twin.hearHex(rest)
			}
		case "ended":
			if l.twin == nil {
				continue
			}
			if err := l.write(l.twin.countsOf(context.Background(), rest)); err != nil {
				return err
			}
		}
	}
}

func milliseconds(d time.Duration) float64 { return float64(d) / 1e6 }

// comeUp brings the program up to now, and its power after its twin's.
func (l *Lockstep) comeUp(data []byte) error {
	if l.twin != nil && l.twin.lies() != l.powered {
		if err := l.goOn(nil); err != nil {
			return err
		}
		command := "off"
		if l.powered = !l.powered; l.powered {
			command = "on"
		}
		if _, err := l.send(command+"\n", command); err != nil {
			return err
		}
	}
	return l.goOn(data)
}

// Do gives the bench's part of the program a command (see host/main.c), now,
// and returns the value of its answer.
func (l *Lockstep) Do(command string) (value string, err error) {
	l.turn <- struct{}{}
	defer func() { <-l.turn }()
	if err := l.comeUp(nil); err != nil {
		return "", err
	}
	return l.send(command+"\n", command)
}

// EmitterOn says whether the emitter is driven at this moment.
func (l *Lockstep) EmitterOn() (bool, error) {
	v, err := l.Do("light")
	return v == "1", err
}

// Stored returns the constants block in force, nil if there is none.
func (l *Lockstep) Stored() ([]byte, error) {
	v, err := l.Do("held")
	if err != nil || v == "" {
		return nil, err
	}
	return hex.DecodeString(v)
}

// hear lets the unit hear bytes and returns what it says, and when it has to
// be asked again.
func (l *Lockstep) hear(data []byte) (said []byte, wake time.Time, err error) {
	l.turn <- struct{}{}
	defer func() { <-l.turn }()
	if err := l.comeUp(data); err != nil {
		return nil, time.Time{}, err
	}
	said, l.said = l.said, nil
	return said, l.wake, nil
}

// Serve speaks for the unit on a line until the context ends or the line is
// gone, and returns why, as package simunit's units do. The line stays the
// caller's.
func (l *Lockstep) Serve(ctx context.Context, line io.ReadWriter) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	d, deadlines := line.(interface{ SetDeadline(time.Time) error })
	if deadlines { // who served before may have left one
		if err := d.SetDeadline(time.Time{}); err != nil {
			return fmt.Errorf("serving the simulated unit on a line: %w", err)
		}
	}
	heard := make(chan []byte)
	var threads sync.WaitGroup
	threads.Go(func() {
		for {
			data := make([]byte, 1024)
			n, err := line.Read(data)
			if n > 0 {
				select {
				case heard <- data[:n]:
				case <-ctx.Done():
				}
			}
			if err != nil {
				cancel(err)
				return
			}
		}
	})
	// What the unit says goes out while it listens.
	mouth := make(chan []byte, 64)
	threads.Go(func() {
		for {
			select {
			case said := <-mouth:
				if _, err := line.Write(said); err != nil {
					cancel(err)
					return
				}
			case <-ctx.Done():
				return
			}
		}
	})
	wake := time.NewTimer(0)
	defer wake.Stop()
	for ctx.Err() == nil {
		var data []byte
		select {
		case data = <-heard:
		case <-wake.C:
		case <-ctx.Done():
			continue
		}
		said, next, err := l.hear(data)
		if err != nil {
			cancel(err)
			continue
		}
		wake.Stop()
		if !next.IsZero() {
			wake.Reset(time.Until(next))
		}
		if len(said) == 0 {
			continue
		}
		select {
		case mouth <- said:
		default: // a serial line waits for nobody
		}
	}
	if deadlines { // frees the two; a line without waits for its end
		_ = d.SetDeadline(time.Unix(1, 0))
	}
	threads.Wait()
	return context.Cause(ctx)
}

// Close ends the process and everything that belongs to it. The error is the
// process's own, as a sanitizer's exit code, or why it was lost.
func (l *Lockstep) Close() error {
	l.turn <- struct{}{}
	defer func() { <-l.turn }()
	lost := l.err
	_ = l.in.Close() // it ends by itself then
	if lost == nil {
		for l.err == nil {
			_, _ = l.line() // to its last
		}
	}
	l.err = os.ErrProcessDone
	err := l.process.Wait()
	_ = l.out.Close()
	if l.twin != nil {
		l.twin.close()
	}
	if lost != nil || l.process.ProcessState.ExitCode() > 0 {
		return errors.Join(lost, err)
	}
	return nil
}
