package record

import (
	"bytes"
	"errors"
)

// Constants is the block written to the unit and what the unit gave back.
//
// The block is the body that the write intent has, and what follows it; most
// units give back what was written. So a record refers to its write intent, and
// says that the two are alike, instead of holding one block three times. A log
// that is asked for an attempt gives it with Written and ReadBack all the same.
type Constants struct {
	Written  []byte `cbor:"1,keyasint"`
	ReadBack []byte `cbor:"2,keyasint"`
	State    string `cbor:"3,keyasint"` // "written", "released" or "void" as last confirmed
	// Restart says how far ReadBack proves what the unit stores: "restarted"
	// before it was read back, "asked" where no answer came, "not this unit" or
	// "never" where its product wants none; "" before it was committed.
	Restart string `cbor:"4,keyasint,omitempty" since:"2"`
	// Rest is what follows the write intent's body in the block written. Where it
	// is there the record does not hold Written.
	Rest []byte `cbor:"5,keyasint,omitempty" since:"4"`
	// Same says that ReadBack is Written. The record then does not hold ReadBack.
	Same bool `cbor:"6,keyasint,omitempty" since:"4"`
}

// Equal says whether the unit gave back what was written to it.
func (c *Constants) Equal() bool {
	return c.Same || len(c.Written) > 0 && bytes.Equal(c.Written, c.ReadBack)
}

// Refer returns the attempt as it is recorded beside its write intent, whose body
// this is. It changes nothing; an attempt that has nothing to refer to is returned
// as it is.
func (a *Attempt) Refer(body []byte) *Attempt {
	c := a.Constants
	if c == nil || a.WriteIntent == nil || len(body) == 0 || len(c.Rest) > 0 || len(c.Written) <= len(body) || !bytes.HasPrefix(c.Written, body) {
		return a
	}
	short, about := *a, *c
	about.Rest, about.Same = c.Written[len(body):], bytes.Equal(c.Written, c.ReadBack)
	short.Constants = &about
	return &short
}

// Refers says whether the attempt needs its write intent to be whole.
func (a *Attempt) Refers() bool { return a.Constants != nil && len(a.Constants.Rest) > 0 }

// Complete fills in what the attempt's record left to its write intent, whose body
// this is.
func (a *Attempt) Complete(body []byte) {
	c := a.Constants
	if !a.Refers() {
		return
	}
	c.Written = append(bytes.Clone(body), c.Rest...)
	if c.Same {
		c.ReadBack = c.Written
	}
}

// recorded is the attempt without what its record does not hold.
func (a *Attempt) recorded() *Attempt {
	if !a.Refers() || len(a.Constants.Written) == 0 && (!a.Constants.Same || len(a.Constants.ReadBack) == 0) {
		return a
	}
	short, about := *a, *a.Constants
	about.Written = nil
	if about.Same {
		about.ReadBack = nil
	}
	short.Constants = &about
	return &short
}

func (c *Constants) validate(intent *Ref) error {
	switch {
	case len(c.Rest) > 0 && intent == nil:
		return errors.New("a block that refers to no write intent")
	case c.Same && len(c.Rest) == 0:
		return errors.New("a block read back that refers to none")
	}
	return nil
}
