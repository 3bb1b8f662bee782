package simunit

import (
	"context"
	"errors"
	"fmt"
	"os"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// ServePTY puts a unit, or a connector, on a pseudo-terminal of its own, raw like a serial
// line, and returns the path for a station to open, as often as it likes.
// When the context ends both sides are closed, which a station sees as a
// pulled cable; a unit put on a line again gets a new path.
func ServePTY(ctx context.Context, u Speaker) (path string, err error) {
	master, slave, err := pty.Open()
	if err != nil {
		return "", fmt.Errorf("opening a pseudo-terminal: %w", err)
	}
	if err := errors.Join(makeRaw(slave), unblock(master)); err != nil {
		master.Close()
		slave.Close()
		return "", fmt.Errorf("setting up %s: %w", slave.Name(), err)
	}
	go func() {
		// The slave stays open here too: without it the master would hang up
		// each time that the station closes its side.
		defer slave.Close()
		defer master.Close()
		_ = u.Serve(ctx, master) // ends with the context; nobody waits for why
	}()
	return slave.Name(), nil
}

// unblock lets deadlines end what waits in f, which the library that opened it
// has taken away: a unit on a quiet line would outlast its context.
func unblock(f *os.File) error {
	conn, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var failed error
	if err := conn.Control(func(fd uintptr) { failed = unix.SetNonblock(int(fd), true) }); err != nil {
		return err
	}
	return failed
}

// makeRaw takes all the terminal's own work off a line: no echo, no line
// editing, no signals, eight bits. It must not use File.Fd, which would end
// the file's deadlines.
func makeRaw(f *os.File) error {
	conn, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var failed error
	err = conn.Control(func(fd uintptr) {
		t, err := unix.IoctlGetTermios(int(fd), unix.TCGETS)
		if err != nil {
			failed = err
			return
		}
		t.Iflag &^= unix.IGNBRK | unix.BRKINT | unix.PARMRK | unix.ISTRIP | unix.INLCR | unix.IGNCR | unix.ICRNL | unix.IXON
		t.Oflag &^= unix.OPOST
		t.Lflag &^= unix.ECHO | unix.ECHONL | unix.ICANON | unix.ISIG | unix.IEXTEN
		t.Cflag = t.Cflag&^(unix.CSIZE|unix.PARENB) | unix.CS8
		t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
		failed = unix.IoctlSetTermios(int(fd), unix.TCSETS, t)
	})
	if err != nil {
		return err
	}
	return failed
}
