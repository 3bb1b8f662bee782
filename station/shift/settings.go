package shift

import "strconv"

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

// take takes what a page asked for, and false where it cannot be that.
func (s *Settings) take(k PageKind, text string) bool {
	switch k {
	case OrderPage:
		s.WorkOrder = text
	case QuantityPage:
		n, err := strconv.Atoi(text)
		if err != nil || n <= 0 {
			return false
		}
		s.Quantity = n
	case WindowPage:
		s.WindowLot = text
	case GasketPage:
		s.GasketLot = text
	case EmitterPage:
		s.EmitterLot = text
	}
	return true
}
