package shift

import "example.org/panecal/station"

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
	FiguresPage
	PausePage
	LeadPage     // a lead is asked for a new label
	OldLabelPage // of the unit that gets it
	NewLabelPage
)

// Page takes the place of the nests while it is about the shift and not about
// units.
type Page struct {
	Kind     PageKind
	Now      string    // what holds already of what is asked, "" for nothing
	HandOver *HandOver // of a HandOverPage
	Figures  *HandOver // of a FiguresPage: the shift so far

	About  []station.Message // what the page is about: said in sentences, above all else
	Rows   [][]station.Arg   // a table: each cell is said in the operator's language
	Masked bool              // what is entered is never shown
}

// read tells the pages that are there to be read, and go with the next scan.
func (p *Page) read() bool { return p.Kind == HelpPage || p.Kind == HoldsPage || p.Kind == FiguresPage }
