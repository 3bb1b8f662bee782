package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/charmbracelet/x/term"
	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/reading"
	"example.org/panecal/limits/visible"
	"example.org/panecal/protocol/link"
	"example.org/panecal/station/papers"
	"example.org/panecal/station/screen"
)

func newScan(where *place) *cobra.Command {
	var f scanFlags
	c := &cobra.Command{
		Use:   "scan",
		Short: "Show what a scanner sends, byte by byte, and what is wrong with it",
		Long: `Shows every scan byte by byte, with the time between two bytes, what the
operator's screen would make of it, and what is odd about it: suffix and prefix,
control characters, character set, speed, Caps Lock and keyboard layout. Where
there is a configuration, the scan is held against its products' label rules.

A keyboard scanner types into this terminal; --port listens to a serial one.
Ctrl-C or Ctrl-Q, pressed alone, ends it: inside a scan they are bytes like any
others. Exit code 3 when any scan could not be used as a label.`,
		Example: "  panecal scan\n  panecal scan --port /dev/serial/by-path/NAME --baud 9600\n  panecal scan --count 1 --json",
		Args:    cli.Args(cobra.NoArgs),
		RunE:    func(c *cobra.Command, _ []string) error { return f.run(c, *where) },
	}
	c.Flags().StringVar(&f.port, "port", "", "serial device of a scanner with a port of its own")
	c.Flags().IntVar(&f.baud, "baud", 9600, "its speed")
	c.Flags().IntVar(&f.count, "count", 0, "end after so many scans; 0 for no end")
	c.Flags().BoolVar(&f.json, "json", false, "print one JSON object a scan")
	return c
}

type scanFlags struct {
	port        string
	baud, count int
	json        bool
}

func (f scanFlags) run(c *cobra.Command, where place) (err error) {
	if f.count < 0 {
		return cli.UsageError(errors.New("--count is negative"))
	}
	var all papers.Catalogue
	config, err := where.readConfig()
	if err == nil {
		all, err = config.catalogue()
	}
	var coded *cli.CodedError
	if err != nil && !errors.As(err, &coded) {
		return err // a broken configuration; none at all is fine
	}
	in, out := c.InOrStdin(), c.OutOrStdout()
	tell := c.ErrOrStderr()
	switch {
	case f.port != "":
		l, err := link.Open(c.Context(), f.port, link.Options{Baud: f.baud})
		if err != nil {
			return cli.DeviceError(fmt.Errorf("opening the scanner's port: %w", err))
		}
		defer l.Close()
		in = l
	case isTerminal(in):
		file, _ := cli.Terminal(in)
		before, err := term.MakeRaw(file.Fd())
		if err != nil {
			return fmt.Errorf("taking single keys from the terminal: %w", err)
		}
		defer func() { err = errors.Join(err, term.Restore(file.Fd(), before)) }()
		if file, ok := cli.Terminal(out); ok {
			out = visible.NewWriter(carriage{file})
		}
		if file, ok := cli.Terminal(tell); ok {
			tell = visible.NewWriter(carriage{file})
		}
	}
	if isTerminal(in) || f.port != "" {
		fmt.Fprintln(tell, "Scan now. Ctrl-C ends.")
	}
	return f.listen(c.Context(), in, out, all)
}

// carriage ends lines as a terminal in raw mode wants them.
type carriage struct{ w io.Writer }

func (c carriage) Write(p []byte) (int, error) {
	if _, err := c.w.Write(bytes.ReplaceAll(p, []byte("\n"), []byte("\r\n"))); err != nil {
		return 0, err
	}
	return len(p), nil
}

// listen shows scans until the source ends, a person ends it, or there were
// enough.
func (f scanFlags) listen(ctx context.Context, in io.Reader, out io.Writer, all papers.Catalogue) error {
	type piece struct {
		raw []byte
		at  time.Time
		err error
	}
	pieces := make(chan piece)
	ended := make(chan struct{})
	defer close(ended)
	go func() {
		for {
			buf := make([]byte, 256)
			n, err := in.Read(buf)
			select {
			case pieces <- piece{buf[:n], time.Now(), err}:
			case <-ended:
				return
			}
			if err != nil {
				return
			}
		}
	}()
	var ear screen.Ear
	silence := time.NewTimer(time.Hour)
	defer silence.Stop()
	seen, unfit := 0, false
	show := func(heard []screen.Heard) (done bool, err error) {
		for _, h := range heard {
			if person(h) {
				return true, nil
			}
			seen++
			r := reading.Of(seen, h, all)
			unfit = unfit || !r.Usable
			if f.json {
				err = cli.PrintLine(out, r)
			} else {
				err = r.WriteText(out)
			}
			if err != nil || seen == f.count {
				return true, err
			}
		}
		return false, nil
	}
	for done := false; !done; {
		var err error
		select {
		case <-ctx.Done():
			return ctx.Err()
		case now := <-silence.C:
			done, err = show(ear.Settle(now))
		case p := <-pieces:
			if done, err = show(ear.Hear(p.raw, p.at)); done || err != nil {
				break
			}
			if p.err != nil {
				done = true
				_, err = show(ear.Settle(p.at.Add(screen.Silence)))
				if !errors.Is(p.err, io.EOF) {
					err = errors.Join(err, cli.DeviceError(fmt.Errorf("reading the scanner: %w", p.err)))
				}
			}
			silence.Reset(screen.Silence + 5*time.Millisecond)
		}
		if err != nil {
			return err
		}
	}
	if unfit {
		return &cli.QuietError{Code: cli.ExitFailed}
	}
	return nil
}

// person tells whether a person ended it: one of the keys, and nothing else.
func person(h screen.Heard) bool {
	return len(h.Entries) == 1 && (h.Entries[0].Key == screen.KeyStop || h.Entries[0].Key == screen.KeyLeave)
}
