package station

import "slices"

// Reason names why something is so, where a sentence says it.
type Reason string

// The reasons.
const (
	ReasonGrid        Reason = "grid"
	ReasonBins        Reason = "bins"
	ReasonBinWidth    Reason = "bin_width"
	ReasonFirstBin    Reason = "first_bin"
	ReasonPileUp      Reason = "pile_up"
	ReasonHistograms  Reason = "no_histograms"
	ReasonRanges      Reason = "no_ranges"
	ReasonAddBack     Reason = "no_adding_back"
	ReasonNests       Reason = "other_nests"
	ReasonNotReadBack Reason = "not_read_back"
	ReasonLabel       Reason = "label"
	ReasonLies        Reason = "label_lies"
	ReasonUnknown     Reason = "unknown_unit"
	ReasonSwitch      Reason = "own_switch"
)

// reasons has the text of each, as a part of a sentence; a test holds it
// against the constants.
var reasons = []struct {
	reason Reason
	text   string
}{
	{ReasonGrid, "the grid is {a}, not {b}"},
	{ReasonBins, "the number of bins is {a}, not {b}"},
	{ReasonBinWidth, "the bin width in ps is {a}, not {b}"},
	{ReasonFirstBin, "the first bin in ps is {a}, not {b}"},
	{ReasonPileUp, "pile-up is {a}, not {b}"},
	{ReasonHistograms, "histograms are missing"},
	{ReasonRanges, "ranges are missing"},
	{ReasonAddBack, "it cannot range without its constants, and they cannot be added back"},
	{ReasonNests, "the station sheet has other nests; restart the station"},
	{ReasonNotReadBack, "passed without constants read back"},
	{ReasonLabel, "label {a}"},
	{ReasonLies, "label {a}, now in {b}"},
	{ReasonUnknown, "not known here"},
	{ReasonSwitch, "the one of the nest"},
}

// Reasons returns every reason.
func Reasons() []Reason {
	var all []Reason
	for _, r := range reasons {
		all = append(all, r.reason)
	}
	return all
}

// Text is the reason in words, with {a} and {b} for what it names; the reason
// itself where this version does not know it.
func (r Reason) Text() string {
	if i := slices.IndexFunc(reasons, func(row struct {
		reason Reason
		text   string
	}) bool {
		return row.reason == r
	}); i >= 0 {
		return reasons[i].text
	}
	return string(r)
}
