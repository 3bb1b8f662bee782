package shift

import (
	"time"

	"example.org/panecal/station"
)

// PageKind says which page it is.
type PageKind uint8

// The pages, in the order of a shift.
const (
	BadgePage PageKind = iota + 1
	CautionPage
	OrderPage
	QuantityPage
	WindowPage
	GasketPage
	EmitterPage
	NotePage
	HelpPage
	PINPage
	HoldsPage
	AllowPage // a lead is asked to let somebody work one shift
	HandOverPage
)

// Page takes the place of the nests while it is about the shift and not about
// units.
type Page struct {
	Kind     PageKind
	Now      string    // what holds already of what is asked, "" for nothing
	HandOver *HandOver // of a HandOverPage

	About  []station.Message // what the page is about: said in sentences, above all else
	Rows   [][]station.Arg   // a table: each cell is said in the operator's language
	Masked bool              // what is entered is never shown
}

// HandOver is what one person leaves to the next: who worked from when to
// when, on what, what came of it, and what is still open.
type HandOver struct {
	Person   string
	From, To time.Time
	Settings Settings
	Counters station.Counters
	Takt     float64 // units an hour that are wanted, 0 for none
	Stops    []station.Stop
	Standing []station.Message
}
