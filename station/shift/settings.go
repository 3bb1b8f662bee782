package shift

import (
	"strconv"
	"strings"

	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// Settings are what the units that follow are made for and of. Empty is not
// known.
type Settings struct {
	WorkOrder                        string
	Quantity                         int
	WindowLot, GasketLot, EmitterLot string
}

// Of is the setting that a page asks for, "" where it is not known.
func (s Settings) Of(k PageKind) string {
	switch k {
	case OrderPage:
		return s.WorkOrder
	case QuantityPage:
		if s.Quantity > 0 {
			return strconv.Itoa(s.Quantity)
		}
	case WindowPage:
		return s.WindowLot
	case GasketPage:
		return s.GasketLot
	case EmitterPage:
		return s.EmitterLot
	}
	return ""
}

// mostUnits is the largest quantity of a work order.
const mostUnits = 999_999

// take takes what a page asked for, and says why it cannot be that: "" where it
// is. A unit's label is neither order nor lot, whatever their patterns are.
func (s *Settings) take(k PageKind, text string, r *Rules) Code {
	switch {
	case k == QuantityPage:
		n, err := strconv.Atoi(text)
		if err != nil || n <= 0 || n > mostUnits || strings.Trim(text, "0123456789") != "" {
			return BadNumber
		}
		s.Quantity = n
	case r.Unit != nil && r.Unit(text):
		return UnitLabel
	case k == OrderPage && !whole(r.Order, text):
		return BadOrder
	case k != OrderPage && !whole(r.Lot, text):
		return BadLot
	}
	switch k {
	case OrderPage:
		s.WorkOrder = text
	case WindowPage:
		s.WindowLot = text
	case GasketPage:
		s.GasketLot = text
	case EmitterPage:
		s.EmitterLot = text
	}
	return ""
}

// Resumed are the settings that held last, by the newest records; order is
// another work order, "" for the same.
func Resumed(recent []record.Entry, order string) Settings {
	var s Settings
	for _, e := range recent {
		if b, ok := e.Body.(*record.ShiftSettings); ok {
			s = Settings{WorkOrder: b.WorkOrder, Quantity: b.Quantity, WindowLot: b.WindowLot, GasketLot: b.GasketLot, EmitterLot: b.EmitterLot}
		}
	}
	if order != "" && order != s.WorkOrder {
		s.WorkOrder, s.Quantity = order, 0
	}
	return s
}

// lastOn is who is signed on by the newest records, "" for nobody.
func lastOn(recent []record.Entry) string {
	person := ""
	for _, e := range recent {
		if b, ok := e.Body.(*record.SignOn); ok {
			if person = b.Person; b.Off && b.Method != station.SignedOffByClosing {
				person = ""
			}
		}
	}
	return person
}
