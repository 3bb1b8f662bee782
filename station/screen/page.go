package screen

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
	HandOverPage
	pages
)

// Page takes the place of the nests while it is about the shift and not about
// units: one sentence for the hands, and lines to read.
type Page struct {
	Kind  PageKind
	Lines []string // what the catalogue does not hold, such as a summary
}
