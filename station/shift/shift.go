package shift

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/roster"
	"example.org/panecal/store/record"
)

// Kind says what an Input is.
type Kind uint8

// The kinds of input.
const (
	Label      Kind = iota + 1 // Text was scanned or typed
	Unreadable                 // Text was entered and cannot be a label, Fault says why; the operator has been told
	Go                         // the key or pedal for "go on"
	Skip                       // end what the nest does, confirmed by the operator
)

// Input is one thing entered at the screen, for the station.
type Input struct {
	Kind  Kind
	Text  string      // as it came: separators of ISO/IEC 15434 included
	Fault station.Arg // nil but for Unreadable
	Nest  int         // for Go and Skip the nest the hands were sent to on the screen, or station.NoNest
	At    time.Time
	Typed bool // by hand, key by key: no scanner does that
}

// Station is what the people need of the station that runs; *runner.Runner is
// one. Its methods may be called from any goroutine.
type Station interface {
	Snapshot() station.Snapshot

	// Append puts a record into the log. When it returns nil, the record
	// survives a power cut.
	Append(record.Body) (record.Ref, error)

	Scan(nest int, text string)
	Go(nest int)
	Skip(nest int)
	Lift(nest int, by, method string)
	Unpowered(nest int)
	OpenBox(number string, takes []string)
	Rest(on bool)
	Unreadable()
	Disposed([]*record.DispositionChange)
	Crew(station.Crew)
	TakeUp(*station.Files)
}

// Shift stands between what is entered at a station and the station: it leads
// the people from the badge to the hand-over, and puts what they say on record.
// Everything else passes through. Any goroutine may use it.
type Shift struct {
	o Options

	mu     sync.Mutex
	dialog *dialog
	person string // on record as signed on, "" for nobody
	// resumed is who was signed on when an earlier run of the program was cut
	// off: the shift goes on where that person signs on first.
	resumed string
}

// Options are what a shift works with; Station and Intake are needed.
type Options struct {
	Station Station
	Intake  *Intake
	Rules   Rules

	Operator string         // known by other means than a badge, "" for nobody
	Settings Settings       // that hold already
	Recent   []record.Entry // the newest records: which badges are barred
	Lot      string         // of the units
	Software string         // this program's version
	Cautions []string       // what has to be confirmed, as it is shown

	// Past tells what a label has on record, so that no unit gets one that is used;
	// nil: nobody looks.
	Past station.Past

	// Show puts a page in the place of the nests, nil for none, and tells a
	// reply. nil for nobody.
	Show func(*Page, Reply)
	// HandOver keeps what one person leaves to the next. nil: nobody does.
	HandOver func(HandOver) error
	// Hold puts the unit of a label on hold, on record, for what somebody says. nil:
	// nothing can be held here.
	Hold func(label, reason, by string) error
	// Handed is told of each label that went to the station. nil for nobody.
	Handed func(text string)

	Now func() time.Time // nil: time.Now
}

// New begins a shift.
func New(o Options) *Shift {
	if o.Show == nil {
		o.Show = func(*Page, Reply) {}
	}
	if o.HandOver == nil {
		o.HandOver = func(HandOver) error { return nil }
	}
	if o.Hold == nil {
		o.Hold = func(string, string, string) error { return errors.New("no unit can be held here") }
	}
	if o.Handed == nil {
		o.Handed = func(string) {}
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Intake != nil && o.Rules.Unit == nil {
		o.Rules.Unit = func(text string) bool { _, _, err := o.Intake.Read(text); return err == nil }
	}
	if o.Intake != nil && o.Rules.Reworks == nil {
		o.Rules.Reworks = o.Intake.Reworks
	}
	s := &Shift{o: o, dialog: newDialog(o.Rules, o.Operator, o.Settings, o.Cautions, o.Now())}
	s.dialog.bars = barsOf(o.Recent)
	s.resumed = lastOn(o.Recent)
	return s
}

// Begin signs the operator on who is known by other means than a badge, and
// shows the first page where there is one.
func (s *Shift) Begin() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if set := s.o.Settings; set != (Settings{}) { // how far its order is can be shown before anybody signs on
		s.o.Station.Crew(station.Crew{Operator: s.o.Operator, WorkOrder: set.WorkOrder, Lot: s.o.Lot, Quantity: set.Quantity,
			WindowLot: set.WindowLot, GasketLot: set.GasketLot, EmitterLot: set.EmitterLot})
	}
	if p := s.dialog.page(); p != nil {
		s.o.Show(p, Reply{})
		return nil
	}
	return s.signOn(s.o.Operator, "command line", nil, "")
}

// Enter takes what came in.
func (s *Shift) Enter(in Input) {
	s.mu.Lock()
	defer s.mu.Unlock()
	before := s.dialog.page()
	s.heed(before, s.dialog.take(in, s.o.Station.Snapshot()))
}

// Roster lets another roster hold from now on. Who is signed on and may not work any
// more by it goes on with the units in hand, and is signed off when the next label is
// scanned, which begins no attempt.
func (s *Shift) Roster(b *roster.Book) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.o.Rules.Book, s.dialog.rules.Book = b, b
	s.dialog.rejudge(s.o.Now())
}

// Tick tells that time has passed: a PIN prompt closes by itself. Once a second
// is enough.
func (s *Shift) Tick() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if deeds := s.dialog.tick(s.o.Now()); len(deeds) > 0 {
		s.heed(nil, deeds)
	}
}

// heed does what follows from an entry, and shows it.
func (s *Shift) heed(before *Page, deeds []deed) {
	var said Reply
	for _, d := range deeds {
		if r, ok := d.(Reply); ok {
			said = r
			continue
		}
		if err := s.do(d); err != nil {
			// Nothing after it may say that it is done.
			said = Reply{Code: NotRecorded, Text: err.Error()}
			if no, ok := errors.AsType[declined](err); ok {
				said = no.Reply
			}
			break
		}
	}
	if after := s.dialog.page(); said.Code != "" || before != nil || after != nil {
		s.o.Show(after, said)
	}
}

// Scanner tells that the scanner's port was lost, or is back.
func (s *Shift) Scanner(lost bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := Reply{Code: ScannerBack, Done: true}
	if lost {
		r = Reply{Code: ScannerLost}
	}
	s.o.Show(s.dialog.page(), r)
}

func (s *Shift) do(d deed) error {
	switch d := d.(type) {
	case passed:
		s.pass(d.Input)
	case signedOn:
		return s.signOn(d.person, "badge", d.cautions, d.allowed)
	case signedOff:
		return s.signOff(d.handOver, d.method)
	case settled:
		return s.settle(false)
	case refused:
		return s.keep(&d.AccessRefused)
	case lifted:
		s.o.Station.Lift(d.nest, d.by, methodBadge)
	case unpowered:
		if err := s.keep(&record.Note{By: s.person, Text: d.name + " has no power: its emitter is off"}); err != nil {
			return err
		}
		s.o.Station.Unpowered(d.nest)
	case boxed:
		return s.openBox(d)
	case unreadable:
		if err := s.keep(&record.Note{By: s.person, Text: "a unit's label cannot be read"}); err != nil {
			return err
		}
		s.o.Station.Unreadable()
	case relabelled:
		return s.giveLabel(d)
	case rested:
		if err := s.keep(&record.Pause{Off: !d.on, By: s.person}); err != nil {
			return err
		}
		s.o.Station.Rest(d.on)
	case noted:
		return s.keep(&record.Note{By: s.person, Text: d.text})
	case held:
		return s.o.Hold(d.label, d.reason, s.person)
	case reworked:
		return s.o.Intake.Rework(s.o.Station, d.label, d.code, s.person)
	}
	return nil
}

// openBox puts another box on record, and the units in it that waited for one,
// before any unit goes there.
func (s *Shift) openBox(d boxed) error {
	if err := s.keep(&record.BoxOpened{Number: d.number, Order: d.order, Size: d.size, By: s.person}); err != nil {
		return err
	}
	var takes []string
	for i := range d.units {
		u := &d.units[i]
		if err := s.keep(&record.Boxed{Attempt: &u.Attempt, Serial: u.Serial, UnitID: u.UnitID, Box: d.number, By: s.person}); err != nil {
			return err
		}
		takes = append(takes, u.Serial)
	}
	s.o.Station.OpenBox(d.number, takes)
	return nil
}

// keep puts a body on record.
func (s *Shift) keep(b record.Body) error {
	if _, err := s.o.Station.Append(b); err != nil {
		return fmt.Errorf("recording %s: %w", b.Kind(), err)
	}
	return nil
}

// pass hands an entry to the station.
func (s *Shift) pass(in Input) {
	switch in.Kind {
	case Label:
		text := s.masked(in.Text)
		s.o.Intake.Hand(s.o.Station, station.NoNest, text)
		s.o.Handed(text)
	case Go:
		// "Go on" answers the sentence that the hands just read.
		s.o.Station.Go(s.o.Station.Snapshot().Hands.Nest)
	case Skip:
		s.o.Station.Skip(in.Nest)
	}
}

// Unknown is on record where nobody said who is at the station.
const Unknown = "unknown"

// SignOn puts on record who is at the station. Signing off says that every
// verdict so far has been seen. cautions are those that were confirmed.
func SignOn(to Station, person, method string, off bool, cautions []string) error {
	return signOn(to, person, method, off, cautions, "")
}

func signOn(to Station, person, method string, off bool, cautions []string, allowed string) error {
	b := &record.SignOn{AllowedBy: allowed, Person: cmp.Or(person, Unknown), Role: "operator", Off: off, Method: method, Acknowledged: cautions}
	if _, err := to.Append(b); err != nil {
		return fmt.Errorf("recording who is at the station: %w", err)
	}
	return nil
}

// masked hides digits that are no label: somebody may have typed a PIN where
// none was asked for.
func (s *Shift) masked(text string) string {
	bare := strings.TrimSpace(text)
	if s.o.Rules.Book == nil || bare == "" || strings.Trim(bare, "0123456789") != "" || s.dialog.isLabel(text) {
		return text
	}
	return strings.Repeat("*", len(bare))
}

func (s *Shift) signOn(person, method string, cautions []string, allowed string) error {
	if err := signOn(s.o.Station, person, method, false, cautions, allowed); err != nil {
		return err
	}
	s.person, s.dialog.ended = person, ""
	if person == "" {
		s.person = Unknown
	}
	anew := s.resumed != s.person
	s.resumed = ""
	if err := s.settle(anew); err != nil || s.o.Station.Snapshot().Counters.PausedSince.IsZero() {
		return err
	}
	return s.do(rested{false}) // who signs on works
}

// settle puts what holds for the units that follow on record, and tells the
// station. anew: a shift begins.
func (s *Shift) settle(anew bool) error {
	set, snap, f := s.dialog.set, s.o.Station.Snapshot(), s.o.Intake.InForce()
	product, limits, sheet := f.Revisions()
	body := &record.ShiftSettings{
		WorkOrder: set.WorkOrder, Quantity: set.Quantity, WindowLot: set.WindowLot, GasketLot: set.GasketLot, EmitterLot: set.EmitterLot,
		Lot: s.o.Lot, Operator: s.person, Software: s.o.Software, Purpose: snap.Purpose,
		Product: product, Limits: limits, Sheet: sheet,
	}
	for _, n := range snap.Nests {
		body.Nests = append(body.Nests, n.Name)
	}
	if err := s.keep(body); err != nil {
		return err
	}
	s.o.Station.Crew(station.Crew{Operator: s.person, WorkOrder: set.WorkOrder, Lot: s.o.Lot,
		WindowLot: set.WindowLot, GasketLot: set.GasketLot, EmitterLot: set.EmitterLot, Quantity: set.Quantity, Anew: anew})
	return nil
}

// errInDoubt keeps people signed on.
var errInDoubt = errors.New("a record could not be written, so a verdict may be in doubt: nobody is signed off")

// inDoubt says whether a verdict may be in doubt. Signing off says that every
// verdict was seen; without it, what was not seen is shown again.
func (s *Shift) inDoubt() bool {
	return slices.ContainsFunc(s.o.Station.Snapshot().Stops, func(x station.Stop) bool { return x.Code == station.StopStore })
}

func (s *Shift) signOff(h HandOver, method string) error {
	if s.inDoubt() {
		return errInDoubt
	}
	err := SignOn(s.o.Station, s.person, method, true, nil)
	s.person = ""
	return errors.Join(err, s.o.HandOver(h))
}

// End signs off whoever is still signed on, after the station has closed, and
// returns the hand-over; nil where nobody was. sound is false after a fault:
// nobody is signed off then.
func (s *Shift) End(sound bool) (*HandOver, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.person == "" {
		return nil, nil
	}
	h := s.dialog.handOver(s.o.Station.Snapshot(), s.o.Now())
	h.Person = s.person
	if !sound {
		return &h, errInDoubt
	}
	return &h, s.signOff(h, station.SignedOffByClosing)
}
