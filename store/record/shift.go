package record

import "errors"

// BoxOpened says that good units go into another box from now on. A box that takes
// no number of units is open until the next.
type BoxOpened struct {
	Number string `cbor:"1,keyasint"` // as scanned
	Order  string `cbor:"2,keyasint"` // work order
	Size   int    `cbor:"3,keyasint"` // units it takes
	By     string `cbor:"4,keyasint"`
}

func (*BoxOpened) Kind() Kind         { return KindBoxOpened }
func (b *BoxOpened) Subject() Subject { return Subject{} }

func (b *BoxOpened) validate() error {
	if b.Number == "" {
		return errors.New("a box without a number")
	}
	return nil
}

// Boxed says in which box a unit lies whose attempt does not, or that its label was
// scanned there.
type Boxed struct {
	Attempt   *Ref   `cbor:"1,keyasint,omitempty"` // that released it
	Serial    string `cbor:"2,keyasint"`
	UnitID    string `cbor:"3,keyasint"`
	Box       string `cbor:"4,keyasint"`
	Confirmed bool   `cbor:"5,keyasint"` // its label was scanned at the box
	By        string `cbor:"6,keyasint"`
}

func (*Boxed) Kind() Kind         { return KindBoxed }
func (b *Boxed) Subject() Subject { return Subject{Serial: b.Serial, UnitID: b.UnitID} }
func (b *Boxed) validate() error  { return nil }

// Pause says that the people at a station pause, or that they are back. Time
// between the two is no time of work.
type Pause struct {
	Off bool   `cbor:"1,keyasint"` // they are back
	By  string `cbor:"2,keyasint"`
}

func (*Pause) Kind() Kind         { return KindPause }
func (p *Pause) Subject() Subject { return Subject{} }
func (p *Pause) validate() error  { return nil }

// Relabelled says that a unit has another label from now on; the old one belongs to
// no unit any more. It is filed under the old serial, and under the unit's identity
// where that is known.
type Relabelled struct {
	Serial string `cbor:"1,keyasint"` // old
	To     string `cbor:"2,keyasint"` // new serial
	UnitID string `cbor:"3,keyasint"`
	By     string `cbor:"4,keyasint"`
	Why    string `cbor:"5,keyasint"`
}

func (*Relabelled) Kind() Kind         { return KindRelabelled }
func (r *Relabelled) Subject() Subject { return Subject{Serial: r.Serial, UnitID: r.UnitID} }

func (r *Relabelled) validate() error {
	if r.Serial == "" || r.To == "" || r.Serial == r.To {
		return errors.New("a new label needs an old serial and another new one")
	}
	return nil
}
