package label

import "slices"

// Item gives the unique item identifier that the label spells out, "" where
// it does not: MIL-STD-130N with Change 1, Appendix A, Table A-II. The prefix
// is the issuing agency's code: D for a CAGE code, UN for a DUNS number, LD
// for a DoDAAC.
func (l Label) Item() string {
	for _, r := range itemRules {
		text := r.prefix
		for _, id := range r.fields {
			i := slices.IndexFunc(l.Fields, func(f Field) bool { return f.Kind == r.kind && f.ID == id })
			if i < 0 {
				text = ""
				break
			}
			text += l.Fields[i].Value
		}
		if text != "" {
			return text
		}
	}
	return ""
}

// itemRules: identifiers that are complete by themselves first, then
// enterprise, part or lot, serial.
var itemRules = []struct {
	kind, prefix string
	fields       []string
}{
	{Format06, "", []string{"25S"}},
	{Format06, "D", []string{"18S"}},
	{Format06, "", []string{"I"}},
	{Format06, "", []string{"22S"}},
	{Format06, "D", []string{"17V", "1P", "S"}},
	{Format06, "UN", []string{"12V", "1P", "S"}},
	{Format06, "", []string{"3V", "1P", "S"}},
	{Format06, "LD", []string{"7L", "1P", "S"}},
	{Format06, "", []string{"18V", "1P", "S"}},
	{Format06, "D", []string{"17V", "1T", "S"}},
	{Format06, "UN", []string{"12V", "1T", "S"}},
	{Format06, "", []string{"3V", "1T", "S"}},
	{Format06, "LD", []string{"7L", "1T", "S"}},
	{Format06, "", []string{"18V", "1T", "S"}},
	{Format12, "D", []string{"CAG", "SER"}},
}
