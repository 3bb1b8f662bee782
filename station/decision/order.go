package decision

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"example.org/panecal/limits/release"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Verb is what is decided.
type Verb string

// The verbs.
const (
	Hold     Verb = "hold"
	Unhold   Verb = "unhold"
	Scrap    Verb = "scrap"
	Reworked Verb = "reworked"
)

// Verbs returns all of them.
func Verbs() []Verb { return []Verb{Hold, Unhold, Scrap, Reworked} }

// Order is one decision, as it is written and signed.
type Order struct {
	Schema   string    `json:"schema"`
	Verb     Verb      `json:"verb"`
	Serial   string    `json:"serial,omitempty"` // of one unit; else Chosen says which
	Chosen   *Chosen   `json:"chosen,omitempty"`
	Reason   string    `json:"reason"`
	Document string    `json:"document,omitempty"` // number of a concession, for Unhold
	Station  string    `json:"station,omitempty"`  // the only one that carries it out
	By       string    `json:"by"`                 // pseudonym of who decides
	Time     time.Time `json:"time"`               // when it was decided, UTC
}

// Chosen picks units: those with an attempt in production, or of an engineer, on
// which all that is given agrees.
type Chosen struct {
	Since    *time.Time `json:"since,omitempty"` // recorded then or later
	Until    *time.Time `json:"until,omitempty"` // recorded before
	Product  string     `json:"product,omitempty"`
	Lot      string     `json:"lot,omitempty"` // of the unit or of one of its parts
	Order    string     `json:"order,omitempty"`
	Nest     string     `json:"nest,omitempty"`
	Operator string     `json:"operator,omitempty"`
	Outcome  string     `json:"outcome,omitempty"`
	Bin      string     `json:"bin,omitempty"`
	OnHold   bool       `json:"on_hold,omitempty"`
	First    bool       `json:"first,omitempty"`
}

const (
	// Ending ends the name of an order's file.
	Ending = ".decision"

	kind          = "decision" // of a signed file
	schema        = "panecal.decision/1"
	longestText   = 500
	longestSerial = 64
	longestPerson = 64
)

// ChosenBy is what a filter of attempts chooses. The station and the purpose are
// not a part of it.
func ChosenBy(f store.Filter) *Chosen {
	c := &Chosen{Product: f.Product, Lot: f.Lot, Order: f.Order, Nest: f.Nest, Operator: f.Operator, Outcome: string(f.Outcome), Bin: f.Bin, OnHold: f.OnHold, First: f.First}
	moment := func(t time.Time) *time.Time {
		if t.IsZero() {
			return nil
		}
		t = t.UTC()
		return &t
	}
	c.Since, c.Until = moment(f.Since), moment(f.Until)
	return c
}

// Filter is what picks the attempts.
func (c *Chosen) Filter() store.Filter {
	f := store.Filter{Product: c.Product, Lot: c.Lot, Order: c.Order, Nest: c.Nest, Operator: c.Operator, Outcome: record.Outcome(c.Outcome), Bin: c.Bin, OnHold: c.OnHold, First: c.First}
	if c.Since != nil {
		f.Since = *c.Since
	}
	if c.Until != nil {
		f.Until = *c.Until
	}
	return f
}

// String says in words what is chosen.
func (c *Chosen) String() string {
	if c == nil {
		return ""
	}
	var parts []string
	for _, p := range []struct{ name, value string }{{"product", c.Product}, {"lot", c.Lot}, {"order", c.Order}, {"nest", c.Nest},
		{"operator", c.Operator}, {"outcome", c.Outcome}, {"bin", c.Bin}} {
		if p.value != "" {
			parts = append(parts, p.name+" "+p.value)
		}
	}
	if c.Since != nil {
		parts = append(parts, "since "+c.Since.Format(time.RFC3339))
	}
	if c.Until != nil {
		parts = append(parts, "until "+c.Until.Format(time.RFC3339))
	}
	if c.OnHold {
		parts = append(parts, "on hold")
	}
	if c.First {
		parts = append(parts, "first attempts")
	}
	return strings.Join(parts, ", ")
}

// New makes an order; the fields that say what is decided are o's.
func New(o Order, at time.Time) (Order, error) {
	o.Schema, o.Time = schema, at.UTC()
	return o, o.check()
}

// Sign is the order as a signed file. The key's person is who decides.
func (o Order) Sign(key release.Key) []byte {
	o.By = key.Person
	return key.SignFile(kind, o.plain())
}

// Plain is the order as a file that nobody signed.
func (o Order) Plain() []byte { return append(o.plain(), '\n') }

func (o Order) plain() []byte {
	b, err := json.Marshal(o)
	if err != nil {
		panic(err) // strings and times
	}
	return b
}

// Open reads the file of an order. signed says whether somebody whom keys know
// signed it; an order that needs a signature and has none is an error.
func Open(file []byte, keys release.Keys) (o Order, signed bool, err error) {
	body := file
	if !bytes.HasPrefix(bytes.TrimSpace(file), []byte("{")) {
		s, err := release.OpenSigned(file, keys)
		if err != nil {
			return o, false, err
		}
		if s.Kind != kind {
			return o, false, fmt.Errorf("a file of kind %q is no decision", s.Kind)
		}
		if o, err = read(s.Body); err != nil {
			return o, false, err
		}
		if o.By != s.Person {
			return o, false, fmt.Errorf("it says %q decided, and %q signed it", o.By, s.Person)
		}
		return o, true, nil
	}
	if len(body) > release.MaxSigned {
		return o, false, fmt.Errorf("%d bytes are more than %d", len(body), release.MaxSigned)
	}
	if o, err = read(body); err == nil && o.Verb != Hold {
		err = fmt.Errorf("%s needs a signature: give --key; only a hold is taken unsigned", o.Verb)
	}
	return o, false, err
}

func read(body []byte) (Order, error) {
	var o Order
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err := d.Decode(&o); err != nil {
		return o, fmt.Errorf("this is no decision: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return o, errors.New("this is no decision: something follows it")
	}
	return o, o.check()
}

// check says what is wrong with an order, if anything is.
func (o Order) check() error {
	switch {
	case o.Schema != schema:
		return fmt.Errorf("schema %q, not %q", o.Schema, schema)
	case !slices.Contains(Verbs(), o.Verb):
		return fmt.Errorf("%q is nothing that can be decided", o.Verb)
	case (o.Serial == "") == (o.Chosen == nil):
		return errors.New("a decision names one serial, or filters")
	case o.Chosen != nil && o.Chosen.String() == "":
		return errors.New("a decision about all units ever made: give a filter")
	case len(o.Serial) > longestSerial || !plainText(o.Serial):
		return fmt.Errorf("a serial has 1 to %d printable characters", longestSerial)
	case strings.TrimSpace(o.Reason) == "" || utf8.RuneCountInString(o.Reason) > longestText || !plainText(o.Reason):
		return fmt.Errorf("a reason has 1 to %d printable characters", longestText)
	case o.Document != "" && (o.Verb != Unhold || utf8.RuneCountInString(o.Document) > longestText || !plainText(o.Document) || strings.TrimSpace(o.Document) == ""):
		return errors.New("a concession's number has printable characters, and belongs to unhold")
	case o.By == "" || len(o.By) > longestPerson || !plainText(o.By) || o.By == station:
		return errors.New("a decision names who decides, such as p2")
	case o.Time.IsZero():
		return errors.New("a decision has a time")
	}
	return nil
}

// station is who records of the station itself are by.
const station = "station"

func plainText(s string) bool {
	return utf8.ValidString(s) && !strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) })
}
