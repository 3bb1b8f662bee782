package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/charmbracelet/x/term"
	"github.com/spf13/cobra"

	"example.org/panecal/protocol/link"
	"example.org/panecal/station/label"
	"example.org/panecal/station/screen"
	"example.org/panecal/station/shift"
)

// scanSchema names the form of one line of `panecal scan --json`.
const scanSchema = "panecal.scan/1"

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
		Args:    usageArgs(cobra.NoArgs),
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
		return usageError(errors.New("--count is negative"))
	}
	var all shift.Catalogue
	config, err := where.readConfig()
	if err == nil {
		all, err = config.catalogue()
	}
	var coded *codedError
	if err != nil && !errors.As(err, &coded) {
		return err // a broken configuration; none at all is fine
	}
	in, out := c.InOrStdin(), c.OutOrStdout()
	tell := c.ErrOrStderr()
	switch {
	case f.port != "":
		l, err := link.Open(c.Context(), f.port, link.Options{Baud: f.baud})
		if err != nil {
			return deviceError(fmt.Errorf("opening the scanner's port: %w", err))
		}
		defer l.Close()
		in = l
	case isTerminal(in):
		file := in.(*os.File)
		before, err := term.MakeRaw(file.Fd())
		if err != nil {
			return fmt.Errorf("taking single keys from the terminal: %w", err)
		}
		defer func() { err = errors.Join(err, term.Restore(file.Fd(), before)) }()
		if isTerminal(out) {
			out = carriage{out}
		}
		tell = carriage{tell}
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
func (f scanFlags) listen(ctx context.Context, in io.Reader, out io.Writer, all shift.Catalogue) error {
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
			s := f.look(seen, h, all)
			unfit = unfit || !s.Usable
			if f.json {
				err = printLine(out, s)
			} else {
				err = s.write(out, h)
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
					err = errors.Join(err, deviceError(fmt.Errorf("reading the scanner: %w", p.err)))
				}
			}
			silence.Reset(screen.Silence + 5*time.Millisecond)
		}
		if err != nil {
			return err
		}
	}
	if unfit {
		return &quietError{exitFailed}
	}
	return nil
}

// person tells whether a person ended it: one of the keys, and nothing else.
func person(h screen.Heard) bool {
	return len(h.Entries) == 1 && (h.Entries[0].Key == screen.KeyStop || h.Entries[0].Key == screen.KeyLeave)
}

// seenScan is one scan as it is told.
type seenScan struct {
	Schema  string          `json:"schema"`
	Scan    int             `json:"scan"`
	Hex     string          `json:"hex"`
	GapsMS  []float64       `json:"gaps_ms"`
	TookMS  float64         `json:"took_ms"`
	Prefix  string          `json:"prefix"`
	Text    string          `json:"text"`
	Suffix  string          `json:"suffix"`
	Usable  bool            `json:"usable"`
	Serial  string          `json:"serial"`
	Lot     string          `json:"lot"`
	Part    string          `json:"part"`
	Product string          `json:"product"` // whose label it is, "" where none is known
	Remarks []screen.Remark `json:"remarks"`
}

func (f scanFlags) look(n int, h screen.Heard, all shift.Catalogue) seenScan {
	s := seenScan{Schema: scanSchema, Scan: n, Hex: fmt.Sprintf("% X", h.Bytes), TookMS: milliseconds(h.Took()), GapsMS: []float64{},
		Prefix: label.Show(string(h.Prefix())), Text: label.Show(string(h.Text())), Suffix: label.Show(string(h.Suffix())),
		Remarks: append([]screen.Remark{}, h.Remarks...)}
	for _, g := range h.Gaps {
		s.GapsMS = append(s.GapsMS, milliseconds(g))
	}
	fault := func(text, mend string) {
		s.Remarks = append(s.Remarks, screen.Remark{Fault: true, Text: text, Mend: mend})
	}
	switch {
	case len(h.Entries) == 1 && h.Entries[0].Key != screen.NoKey:
		s.Remarks = append(s.Remarks, screen.Remark{Text: "a key pressed alone: go on"})
		s.Usable = true
		return s
	case len(h.Entries) == 0:
		fault("the screen takes this for keys, or for too little to be a scan without a suffix", "set the scanner's suffix to CR")
	case len(h.Entries) > 1:
		fault(fmt.Sprintf("the screen takes this for %d entries", len(h.Entries)), "let the scanner send one suffix, at the end")
	case h.Entries[0].Fault == "":
		s.read(h.Entries[0].Text, all, fault)
	}
	s.Usable = true
	for _, r := range s.Remarks {
		s.Usable = s.Usable && !r.Fault
	}
	return s
}

// read holds the text against the label rules, of the configured products
// where there are any.
func (s *seenScan) read(text string, all shift.Catalogue, fault func(text, mend string)) {
	f, l, err := all.Read(text)
	switch {
	case f != nil:
		s.Product = f.Product.Name
	case len(all) == 0:
		l, err = label.Read(text)
	default:
		l, _ = label.Read(text)
	}
	s.Serial, s.Lot, s.Part = l.Serial, l.Lot, l.Part
	for _, f := range all {
		if s.Product != "" {
			break
		}
		if k, known := f.Product.Label.Rules.Keyboard(text); known {
			if k.CapsLock {
				fault("capitals and small letters are exchanged: Caps Lock is on", "switch Caps Lock off, or let the scanner ignore it")
			}
			if k.Layout != "" {
				fault(fmt.Sprintf("the scanner types for a US keyboard, the computer reads a %s one", k.Layout),
					"set the scanner's keyboard country to "+k.Layout)
			}
			return
		}
	}
	if err != nil {
		fault(err.Error(), "")
	}
}

func milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

// write shows a scan to a person.
func (s seenScan) write(w io.Writer, h screen.Heard) error {
	var b strings.Builder
	fmt.Fprintf(&b, "scan %d: %d bytes in %.0f ms\n", s.Scan, len(h.Bytes), s.TookMS)
	const perRow = 10
	for from := 0; from < len(h.Bytes); from += perRow {
		row := h.Bytes[from:min(from+perRow, len(h.Bytes))]
		fmt.Fprintf(&b, "  %3d ", from+1)
		for _, c := range row {
			fmt.Fprintf(&b, "   %02X ", c)
		}
		b.WriteString("\n      ")
		for _, c := range row {
			fmt.Fprintf(&b, "%5s ", label.Show(string([]byte{c})))
		}
		b.WriteString("\n      ")
		for i := range row {
			fmt.Fprintf(&b, "%5.0f ", s.GapsMS[from+i])
		}
		b.WriteString(" ms apart\n")
	}
	part := func(name, text string) {
		if text != "" {
			fmt.Fprintf(&b, "  %-8s %s\n", name, text)
		}
	}
	part("prefix", s.Prefix)
	part("text", s.Text)
	part("suffix", s.Suffix)
	part("serial", s.Serial)
	part("lot", s.Lot)
	part("part", s.Part)
	part("product", s.Product)
	for _, r := range s.Remarks {
		kind := "note"
		if r.Fault {
			kind = "FAULT"
		}
		text := r.Text
		if r.At > 0 {
			text = fmt.Sprintf("byte %d: %s", r.At, text)
		}
		if r.Mend != "" {
			text += "; " + r.Mend
		}
		part(kind, text)
	}
	if s.Usable {
		part("result", "it can be used as it is")
	} else {
		part("result", "it would be refused")
	}
	_, err := io.WriteString(w, b.String()+"\n")
	if err != nil {
		return fmt.Errorf("showing a scan: %w", err)
	}
	return nil
}
