package label

import (
	"fmt"
	"strings"
)

// MaxBytes is the longest scan that is read.
const MaxBytes = 1024

// The separators of ISO/IEC 15434.
const (
	gs  = '\x1d'
	rs  = '\x1e'
	eot = '\x04'
)

// Kinds of labels.
const (
	Bare     = "bare"
	GS1      = "GS1"
	Format05 = "ISO/IEC 15434 format 05"
	Format06 = "ISO/IEC 15434 format 06"
	Format12 = "ISO/IEC 15434 format 12"
)

// Label is what a scan says.
type Label struct {
	Serial, Lot, Part string // "" where the label has none; a serial it always has
	Kind              string // of the field that gave the serial
	Fields            []Field
}

// Field is one identified piece of data: identifier as on the label (a data
// identifier such as 1T, an application identifier such as 21, a text element
// identifier such as SER) and value.
type Field struct{ Kind, ID, Value string }

// Read reads a scan without asking whether the serial is one of ours; see
// [Rules.Parse]. What cannot be read is a *Refusal.
func Read(scan string) (Label, error) {
	if len(scan) > MaxBytes {
		return Label{}, &Refusal{Why: TooLong, Detail: fmt.Sprintf("%d characters, more than %d", len(scan), MaxBytes)}
	}
	// Scanners end a scan with CR, LF or TAB as they are set up.
	text := strings.TrimRight(scan, "\r\n\t")
	isGS1 := false
	if len(text) >= 3 && text[0] == ']' {
		// Symbology prefix: ] letter modifier. These announce FNC1 in first
		// position: Code 128, DataBar, Data Matrix, QR.
		switch text[:3] {
		case "]C1", "]e0", "]d2", "]Q3":
			isGS1 = true
		}
		text = text[3:]
	}
	if text == "" {
		return Label{}, &Refusal{Why: Empty}
	}
	for i := range len(text) {
		c := text[i]
		if c != gs && c != rs && c != eot && (c < 0x20 || c >= 0x7f) {
			return Label{}, &Refusal{Why: Unprinted, Text: text, At: i + 1}
		}
	}
	var l Label
	var err error
	switch {
	case strings.HasPrefix(text, "[)>"):
		l.Fields, err = message(text)
	case isGS1 || strings.IndexByte(text, gs) >= 0:
		l.Fields, err = elements(GS1, strings.TrimPrefix(text, string(rune(gs))))
	default:
		if i := strings.IndexFunc(text, func(r rune) bool { return r <= ' ' }); i >= 0 {
			return Label{}, &Refusal{Why: Unprinted, Text: text, At: i + 1, Detail: "a bare serial has no spaces or separators"}
		}
		l.Fields = []Field{{Bare, "", text}}
	}
	if err != nil {
		return Label{}, err
	}
	if err := l.sort(); err != nil {
		return Label{}, err
	}
	return l, nil
}

// message takes apart an ISO/IEC 15434 message: [)> RS, then for each format
// its two digits, GS, fields separated by GS, RS; EOT at the end.
func message(text string) ([]Field, error) {
	head := "[)>" + string(rune(rs))
	if !strings.HasPrefix(text, head) {
		return nil, &Refusal{Why: BadFormat, Text: text, At: 4, Detail: "RS is wanted after [)>"}
	}
	body, whole := strings.CutSuffix(text[len(head):], string([]byte{rs, eot}))
	if !whole {
		return nil, &Refusal{Why: CutOff, Detail: "it must end with <RS><EOT>; a scanner that acts as keyboard may have lost them"}
	}
	if i := strings.IndexByte(body, eot); i >= 0 {
		return nil, &Refusal{Why: BadField, Text: text, At: len(head) + i + 1, Detail: "EOT inside the message"}
	}
	var fields []Field
	for format := range strings.SplitSeq(body, string(rune(rs))) {
		code, data, ok := strings.Cut(format, string(rune(gs)))
		if !ok {
			return nil, &Refusal{Why: BadFormat, Detail: "GS is wanted after " + Show(code)}
		}
		var more []Field
		var err error
		switch code {
		case "05":
			more, err = elements(Format05, data)
		case "06":
			more, err = identified(Format06, data, dataIdentifier)
		case "12":
			more, err = identified(Format12, data, textElement)
		default:
			err = &Refusal{Why: BadFormat, Detail: fmt.Sprintf("format %s; read are 05, 06, 12", Show(code))}
		}
		if err != nil {
			return nil, err
		}
		fields = append(fields, more...)
	}
	return fields, nil
}

// identified splits data at GS into fields whose identifier split finds.
func identified(kind, data string, split func(string) (id, value string)) ([]Field, error) {
	var fields []Field
	for one := range strings.SplitSeq(data, string(rune(gs))) {
		id, value := split(one)
		if id == "" || value == "" {
			return nil, &Refusal{Why: BadField, Detail: fmt.Sprintf("%q has no identifier of %s or no value", Show(one), kind)}
		}
		fields = append(fields, Field{kind, id, value})
	}
	return fields, nil
}

// dataIdentifier splits a field of ASC MH10.8.2: up to three digits and a
// capital letter, then the value.
func dataIdentifier(field string) (id, value string) {
	n := 0
	for n < len(field) && n < 3 && field[n] >= '0' && field[n] <= '9' {
		n++
	}
	if n >= len(field) || field[n] < 'A' || field[n] > 'Z' {
		return "", ""
	}
	return field[:n+1], field[n+1:]
}

// textElement splits a text element: an identifier of three capital letters
// or digits, a space, the value.
func textElement(field string) (id, value string) {
	if len(field) < 4 || field[3] != ' ' {
		return "", ""
	}
	for _, c := range field[:3] {
		if !(c >= 'A' && c <= 'Z' || c >= '0' && c <= '9') {
			return "", ""
		}
	}
	return field[:3], field[4:]
}

// role says what a field is for; the number orders those for the same: the
// lowest that the label has counts.
type role struct {
	to    func(*Label) *string
	order int
}

func serial(l *Label) *string { return &l.Serial }
func lot(l *Label) *string    { return &l.Lot }
func part(l *Label) *string   { return &l.Part }

// roleOf finds the role of a field. S serial, 25S serial with its issuer, 18S
// with the enterprise, 1T lot, 1P and P part number (MH10.8.2); 21 serial, 10
// lot, 01 trade item (GS1); SER, LOT, PNR, PNO (text elements).
func roleOf(f Field) (role, bool) {
	switch f.Kind {
	case Bare:
		return role{serial, 0}, true
	case GS1, Format05:
		switch f.ID {
		case "21":
			return role{serial, 0}, true
		case "10":
			return role{lot, 0}, true
		case "01":
			return role{part, 0}, true
		}
	case Format06:
		switch f.ID {
		case "S":
			return role{serial, 0}, true
		case "25S":
			return role{serial, 1}, true
		case "18S":
			return role{serial, 2}, true
		case "1T":
			return role{lot, 0}, true
		case "1P":
			return role{part, 0}, true
		case "P":
			return role{part, 1}, true
		}
	case Format12:
		switch f.ID {
		case "SER":
			return role{serial, 0}, true
		case "LOT":
			return role{lot, 0}, true
		case "PNR":
			return role{part, 0}, true
		case "PNO":
			return role{part, 1}, true
		}
	}
	return role{}, false
}

// sort puts the fields where they belong. The same field twice with different
// values is a refusal: one of the two is wrong, and nobody knows which.
func (l *Label) sort() error {
	for i, f := range l.Fields {
		for _, g := range l.Fields[:i] {
			if g.Kind == f.Kind && g.ID == f.ID && g.Value != f.Value {
				return &Refusal{Why: Twice, Detail: fmt.Sprintf("%s is %s and %s", f.ID, Show(g.Value), Show(f.Value))}
			}
		}
	}
	for order := 2; order >= 0; order-- {
		for _, f := range l.Fields {
			r, ok := roleOf(f)
			if !ok || r.order != order {
				continue
			}
			at := r.to(l)
			if at == &l.Serial {
				l.Kind = f.Kind
			}
			*at = f.Value
		}
	}
	if l.Serial == "" {
		return &Refusal{Why: NoSerial}
	}
	return nil
}
