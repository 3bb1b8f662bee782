package station_test

import (
	"context"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing/synctest"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/papers"
	"example.org/panecal/station/roster"
	"example.org/panecal/station/screen"
	"example.org/panecal/station/screen/term"
	"example.org/panecal/station/shift"
	"example.org/panecal/store/record"
)

// pane is what a terminal of 80x24 shows of what was written to it: as much of a
// terminal as the screen uses.
type pane struct {
	mu       sync.Mutex
	rows     [24][80]rune
	row, col int
	rest     []byte // a sequence that is not whole yet
}

var sequence = regexp.MustCompile(`^\x1b\[([?0-9;]*)([A-Za-z])`)

func (p *pane) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	text := string(append(p.rest, b...))
	p.rest = nil
	for len(text) > 0 {
		if text[0] == 0x1b {
			m := sequence.FindStringSubmatch(text)
			if m == nil {
				if len(text) < 12 && !strings.ContainsAny(text[1:], "\x1b\r\n") {
					p.rest = []byte(text)
					return len(b), nil
				}
				text = text[1:]
				continue
			}
			p.control(m[1], m[2])
			text = text[len(m[0]):]
			continue
		}
		r := []rune(text[:min(len(text), 4)])[0]
		switch {
		case r == '\r': // what was there before is gone, as on a terminal whose width is known
			if p.col > 0 || strings.HasPrefix(text, "\r\n") {
				p.control("", "K")
			}
			p.col = 0
		case r == '\n':
			p.row = min(p.row+1, 23)
		case r >= ' ' && p.col < 80:
			p.rows[p.row][p.col] = r
			p.col++
		}
		text = text[len(string(r)):]
	}
	return len(b), nil
}

func (p *pane) control(args, verb string) {
	var n []int
	for _, a := range strings.Split(args, ";") {
		v, _ := strconv.Atoi(a)
		n = append(n, v)
	}
	clear := func(from, to int) {
		for c := from; c < to; c++ {
			p.rows[p.row][c] = ' '
		}
	}
	switch verb {
	case "H":
		p.row, p.col = max(n[0]-1, 0), 0
		if len(n) > 1 {
			p.col = max(n[1]-1, 0)
		}
		p.row = min(p.row, 23)
	case "A":
		p.row = max(p.row-max(n[0], 1), 0)
	case "K":
		if n[0] == 2 {
			clear(0, 80)
		} else {
			clear(p.col, 80)
		}
	case "J":
		at := p.row
		if n[0] == 2 {
			p.row = 0
		} else {
			clear(p.col, 80)
			p.row++
		}
		for ; p.row < 24; p.row++ {
			clear(0, 80)
		}
		p.row = at
	}
}

// text is the whole frame, a space between words.
func (p *pane) text() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	var all strings.Builder
	for _, row := range p.rows {
		for _, r := range row {
			if r == 0 || strings.ContainsRune("█▀▄▌▐░▒─│┌┐└┘═║╔╗╚╝", r) { // no word
				r = ' '
			}
			all.WriteRune(r)
		}
		all.WriteByte(' ')
	}
	return strings.Join(strings.Fields(all.String()), " ")
}

// walk is a shift at the real screen, with the real people's part and the real
// machine; units and log are a world's.
type walk struct {
	*world
	people *shift.Shift
	glass  *pane
	keys   *io.PipeWriter
	box    *screen.Mailbox
	done   chan error
	files  *station.Files
	book   *roster.Book
	frames int
}

func (k *walk) Snapshot() station.Snapshot               { return k.machine.Snapshot() }
func (k *walk) Append(b record.Body) (record.Ref, error) { return k.append(b), nil }
func (k *walk) Scan(nest int, text string)               { k.tell(nest, 0, station.Scanned{Text: text}) }
func (k *walk) Go(nest int)                              { k.tell(nest, 0, station.Go{}) }
func (k *walk) Skip(nest int)                            { k.tell(nest, 0, station.Skip{}) }
func (k *walk) Unpowered(nest int)                       { k.tell(nest, 0, station.Unpowered{}) }
func (k *walk) Crew(c station.Crew)                      { k.tell(station.NoNest, 0, c) }
func (k *walk) TakeUp(f *station.Files)                  { k.tell(station.NoNest, 0, station.TakeUp{Files: f}) }
func (k *walk) Rest(on bool)                             { k.tell(station.NoNest, 0, station.Rest{On: on}) }
func (k *walk) Unreadable()                              { k.tell(station.NoNest, 0, station.Unreadable{}) }
func (k *walk) Disposed(c []*record.DispositionChange) {
	k.tell(station.NoNest, 0, station.Disposed{Changes: c})
}
func (k *walk) Lift(nest int, by, method string) {
	k.tell(nest, 0, station.LiftStop{By: by, Method: method})
}
func (k *walk) OpenBox(number string, takes []string) {
	k.tell(station.NoNest, 0, station.OpenBox{Number: number, Takes: takes})
}

// The PINs are 493716 and 508213; the verifiers are light: 1 pass of 64 KiB.
const walkRoster = "[[person]]\nid = \"op\"\nroles = [\"operator\"]\n[[person]]\nid = \"lead\"\nroles = [\"lead\"]\n"

const walkPeople = `[[person]]
id = "op"
name = "Nobody's Name"
badge = "900001"
[[person]]
id = "lead"
name = "Nobody's Other Name"
badge = "900003"
pin = "%s"
`

// begin starts the station's part anew, after what the log has already.
func (k *walk) begin(s settings) {
	k.t.Helper()
	c := s.config(k.t)
	c.Operator, c.Staffed, c.SameInARow, c.BoxSize, c.Site = "", true, 3, 20, time.UTC
	c.Recent = k.log
	m, err := station.New(c)
	if err != nil {
		k.t.Fatal(err)
	}
	k.machine, k.files, k.pending, k.timers = m, c.Files, nil, nil
	k.tell(station.NoNest, 0, station.Started{})
	k.people = shift.New(shift.Options{Station: k, Intake: &shift.Intake{Catalogue: papers.Catalogue{c.Files}, First: c.Files}, Recent: k.log,
		Settings: shift.Resumed(k.log, ""), Cautions: []string{"one"}, Show: k.box.Show, Now: func() time.Time { return k.now },
		Rules: shift.Rules{Badge: regexp.MustCompile(`\A[0-9]{6}\z`), Book: k.book, Ask: []shift.PageKind{shift.OrderPage, shift.QuantityPage}, Site: time.UTC, Takt: 60}})
	if err := k.people.Begin(); err != nil {
		k.t.Fatal(err)
	}
	k.lapse(time.Second)
}

// open puts the screen on.
func (k *walk) open(ctx context.Context) {
	in, keys := io.Pipe()
	k.keys, k.glass, k.box, k.done = keys, new(pane), screen.NewMailbox(), make(chan error, 1)
	go func() {
		none := term.Colourless
		k.done <- screen.Run(ctx, screen.Options{In: in, Out: k.glass, Snapshots: k.box, Colour: &none, Takt: 60, Send: func(in shift.Input) {
			in.At = k.now
			k.people.Enter(in)
		}})
		in.Close()
	}()
}

// settle lets more time pass than a frame and a silence take.
func settle() {
	time.Sleep(300 * time.Millisecond)
	synctest.Wait()
}

// lapse lets the station's time go by, and shows what came of it.
func (k *walk) lapse(d time.Duration) {
	k.t.Helper()
	k.pass(d)
	k.tell(station.NoNest, 0, station.Tick{})
	k.run()
	k.box.Put(k.machine.Snapshot())
	settle()
}

// scan is one shot of the scanner.
func (k *walk) scan(text string, wants ...string) {
	k.t.Helper()
	_, _ = io.WriteString(k.keys, text+"\r")
	settle()
	k.lapse(100 * time.Millisecond)
	k.see(wants...)
}

// typed is text from the keyboard, by hand.
func (k *walk) typed(text string, wants ...string) {
	k.t.Helper()
	for _, r := range text + "\r" {
		_, _ = io.WriteString(k.keys, string(r))
		time.Sleep(200 * time.Millisecond)
	}
	settle()
	k.lapse(100 * time.Millisecond)
	k.see(wants...)
}

func (k *walk) enter(wants ...string) {
	k.t.Helper()
	time.Sleep(200 * time.Millisecond)
	k.scan("", wants...)
}

// see holds the frame against texts that have to stand in it; one that begins with a
// minus must not.
func (k *walk) see(wants ...string) {
	k.t.Helper()
	text := k.glass.text()
	k.frames++
	for _, want := range wants {
		if bare, not := strings.CutPrefix(want, "-"); strings.Contains(text, bare) == not {
			k.t.Errorf("frame %d: want %q in\n%s", k.frames, want, text)
		}
	}
	for _, never := range []string{"{", "leakage.max", "seat.tilt", "offset.mean", "verify.error", "493716", "900001", "Nobody's"} {
		if strings.Contains(text, never) {
			k.t.Errorf("frame %d shows %q:\n%s", k.frames, never, text)
		}
	}
}

// label is the label of the walk's unit n.
func walkLabel(n int) string { return fmt.Sprintf("A%d", n) }
