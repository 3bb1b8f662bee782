package screen

import (
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"example.org/panecal/station"
	"example.org/panecal/station/shift"
)

// figureText is what is said about how a shift goes.
type figureText struct {
	order, orderOf, remaining      string // "order {n}", "order {n}/{of}", "{n} to go"
	box, noBox                     string
	good, goal, lastHour, wholeDay string // of the figures page, a line each
	today, nests, check, never     string
	worked, paused                 string
	holds, held, heldBox, more     string
	lifted                         string
	figures, pause                 pageText
	lead, old, renew               pageText
	replies                        map[shift.Code]string
}

// withFigures adds these texts to a language.
func (l *Language) withFigures(t figureText) {
	l.fig = t
	l.pages[shift.FiguresPage], l.pages[shift.PausePage] = t.figures, t.pause
	l.pages[shift.LeadPage], l.pages[shift.OldLabelPage], l.pages[shift.NewLabelPage] = t.lead, t.old, t.renew
}

func figuresEnglish() figureText {
	return figureText{
		order: "order {n}", orderOf: "order {n}/{of}", remaining: "{n} to go",
		box: "box {box}: {n}/{of}", noBox: "no box open",
		good: "Good units: {n} in this shift", goal: "goal {n}/h", lastHour: "last hour {n}/h", wholeDay: "shift {n}/h",
		today: "Today by bin: {list}", nests: "First pass by nest: {list}", check: "Last check unit that passed: {age} ago", never: "No check unit has passed yet",
		worked: "Shift: {elapsed} h, {worked} h without pauses", paused: "PAUSE since {time}",
		holds: "On hold: {n}", held: "{serial} since {time}, {age}", heldBox: ", in box {box}", more: "and {n} more: CMD HOLDS",
		lifted:  "Lifted {time} by {by}: {stop}",
		figures: pageText{[2]string{"THIS SHIFT", "ENTER: GO ON"}, "How this shift goes. Enter goes on.", nil},
		pause:   pageText{[2]string{"PAUSE", "ENTER ENDS IT"}, "Nobody works now. Enter, or CMD PAUSE, ends the pause.", nil},
		lead:    pageText{[2]string{"LEAD'S BADGE", "FOR A LABEL"}, "A lead gives a new label: the lead's badge, then the PIN. Enter goes back.", nil},
		old:     pageText{[2]string{"OLD LABEL", "OR TYPE IT"}, "Scan or type what the unit was called. Enter goes back.", nil},
		renew:   pageText{[2]string{"NEW LABEL", "SCAN IT"}, "Scan the new label. Enter goes back.", nil},
		replies: map[shift.Code]string{
			shift.PutOnHold:    "{text} is on hold: put it into the box for held units.",
			shift.Relabelled:   "{label} is {text} now; the old label is refused from now on.",
			shift.NoUnitLabel:  "This is not the label of a unit of this station: {text}.",
			shift.LabelUsed:    "Label {text} is on record already. Take another one.",
			shift.LabelUnknown: "Nothing is on record of {text}. Scan the old label again.",
			shift.BoxOpen:      "Box {text} is open: good units go there.",
			shift.BoxAgain:     "Box {text} is full. Scan the number of another box.",
			shift.TrainingEnds: "Your training or your badge ends soon. Days left: {text}. Tell the line lead.",
		},
	}
}

func figuresGerman() figureText {
	return figureText{
		order: "Auftrag {n}", orderOf: "Auftrag {n}/{of}", remaining: "noch {n}",
		box: "Karton {box}: {n}/{of}", noBox: "kein Karton offen",
		good: "Gute Geräte: {n} in dieser Schicht", goal: "Ziel {n}/h", lastHour: "letzte Stunde {n}/h", wholeDay: "Schicht {n}/h",
		today: "Heute nach Klasse: {list}", nests: "Auf Anhieb je Nest: {list}", check: "Letztes gutes Prüfgerät: vor {age}", never: "Noch kein Prüfgerät war gut",
		worked: "Schicht: {elapsed} h, {worked} h ohne Pausen", paused: "PAUSE seit {time}",
		holds: "Gesperrt: {n}", held: "{serial} seit {time}, {age}", heldBox: ", in Karton {box}", more: "und {n} weitere: CMD HOLDS",
		lifted:  "Aufgehoben {time} von {by}: {stop}",
		figures: pageText{[2]string{"DIESE SCHICHT", "WEITER: ENTER"}, "So läuft diese Schicht. Weiter mit Enter.", nil},
		pause:   pageText{[2]string{"PAUSE", "ENDE: ENTER"}, "Jetzt arbeitet niemand. Enter oder CMD PAUSE beendet die Pause.", nil},
		lead:    pageText{[2]string{"AUSWEIS", "DER LEITUNG"}, "Ein neues Etikett gibt die Linienleitung: ihr Ausweis, dann die PIN. Enter: zurück.", nil},
		old:     pageText{[2]string{"ALTES", "ETIKETT"}, "Scannen oder tippen, wie das Gerät hieß. Enter: zurück.", nil},
		renew:   pageText{[2]string{"NEUES", "ETIKETT"}, "Das neue Etikett scannen. Enter: zurück.", nil},
		replies: map[shift.Code]string{
			shift.PutOnHold:    "{text} ist gesperrt: in die Box für gesperrte Geräte legen.",
			shift.Relabelled:   "{label} heißt jetzt {text}; das alte Etikett gilt nicht mehr.",
			shift.NoUnitLabel:  "Das ist kein Geräteetikett dieser Station: {text}.",
			shift.LabelUsed:    "Das Etikett {text} ist schon aufgezeichnet. Ein anderes nehmen.",
			shift.LabelUnknown: "Von {text} ist nichts aufgezeichnet. Altes Etikett noch einmal scannen.",
			shift.BoxOpen:      "Karton {text} ist offen: gute Geräte kommen dorthin.",
			shift.BoxAgain:     "Karton {text} ist voll. Nummer eines anderen Kartons scannen.",
			shift.TrainingEnds: "Schulung oder Ausweis läuft bald ab. Tage übrig: {text}. Linienleitung sagen.",
		},
	}
}

func figuresSpanish() figureText {
	return figureText{
		order: "orden {n}", orderOf: "orden {n}/{of}", remaining: "faltan {n}",
		box: "embalaje {box}: {n}/{of}", noBox: "ningún embalaje abierto",
		good: "Unidades buenas: {n} en este turno", goal: "meta {n}/h", lastHour: "última hora {n}/h", wholeDay: "turno {n}/h",
		today: "Hoy por clase: {list}", nests: "A la primera por nido: {list}", check: "Última unidad de control buena: hace {age}", never: "Aún no hay unidad de control buena",
		worked: "Turno: {elapsed} h, {worked} h sin pausas", paused: "PAUSA desde las {time}",
		holds: "Retenidas: {n}", held: "{serial} desde {time}, {age}", heldBox: ", en el embalaje {box}", more: "y {n} más: CMD HOLDS",
		lifted:  "Levantada {time} por {by}: {stop}",
		figures: pageText{[2]string{"ESTE TURNO", "SIGA: ENTER"}, "Así va este turno. Pulse Enter para seguir.", nil},
		pause:   pageText{[2]string{"PAUSA", "FIN: ENTER"}, "Ahora no trabaja nadie. Enter o CMD PAUSE termina la pausa.", nil},
		lead:    pageText{[2]string{"TARJETA", "DEL JEFE"}, "Un jefe de línea da la etiqueta nueva: su tarjeta y luego el PIN. Enter: volver.", nil},
		old:     pageText{[2]string{"ETIQUETA", "VIEJA"}, "Escanee o teclee cómo se llamaba la unidad. Enter: volver.", nil},
		renew:   pageText{[2]string{"ETIQUETA", "NUEVA"}, "Escanee la etiqueta nueva. Enter: volver.", nil},
		replies: map[shift.Code]string{
			shift.PutOnHold:    "{text} está retenida: póngala en la caja de las retenidas.",
			shift.Relabelled:   "{label} es ahora {text}; la etiqueta vieja ya no vale.",
			shift.NoUnitLabel:  "Esto no es la etiqueta de una unidad de esta estación: {text}.",
			shift.LabelUsed:    "La etiqueta {text} ya está registrada. Tome otra.",
			shift.LabelUnknown: "No hay registro de {text}. Escanee otra vez la etiqueta vieja.",
			shift.BoxOpen:      "El embalaje {text} está abierto: allí van las buenas.",
			shift.BoxAgain:     "El embalaje {text} está lleno. Escanee el número de otro.",
			shift.TrainingEnds: "Su formación o su tarjeta termina pronto. Días restantes: {text}. Avise al jefe de línea.",
		},
	}
}

// headline says in one line what matters most of a shift: how far the order and the
// box are, the pace against what is wanted, the first pass, what failed and waits.
func (l *Language) headline(s *station.Snapshot, takt float64) string {
	counted := l.counted(s.Counters, takt)
	if s.Order != "" { // how many units were judged says less then
		counted[0] = l.orderFigure(s.Counters.OrderGood, s.Counters.OrderOf)
	}
	if s.Box.Size > 0 {
		counted = append([]string{counted[0], l.boxFigure(s.Box)}, counted[1:]...)
	}
	return strings.Join(counted, "  ")
}

func (l *Language) orderFigure(good, of int) string {
	if of == 0 {
		return fill(l.fig.order, "n", good)
	}
	return fill(l.fig.orderOf, "n", good, "of", of)
}

func (l *Language) boxFigure(b station.Box) string {
	if b.Number == "" {
		return l.fig.noBox
	}
	return fill(l.fig.box, "box", b.Number, "n", b.Good, "of", b.Size)
}

// figures are the figures of a shift, a line each.
func (l *Language) figures(h *shift.HandOver) []string {
	c, t := &h.Counters, &l.fig
	var lines []string
	add := func(parts ...string) {
		if text := joined(parts...); text != "" {
			lines = append(lines, text)
		}
	}
	if h.Settings.WorkOrder != "" {
		left := ""
		if h.Settings.Quantity > 0 {
			left = fill(t.remaining, "n", max(0, h.Settings.Quantity-c.OrderGood))
		}
		add(h.Settings.WorkOrder+": "+l.orderFigure(c.OrderGood, h.Settings.Quantity), left)
	}
	if h.Box.Size > 0 {
		add(l.boxFigure(h.Box))
	}
	goal := ""
	if h.Takt > 0 {
		goal = fill(t.goal, "n", fmt.Sprintf("%.0f", h.Takt))
	}
	add(fill(t.good, "n", c.Good), l.rate(t.lastHour, c.PerHour), l.rate(t.wholeDay, c.ShiftPerHour), goal)
	if list := l.tallies(c.Today, len(c.Today)); list != "" {
		add(fill(t.today, "list", list))
	}
	add(l.nestYields(c))
	add(l.checkAge(c, h.To))
	return lines
}

// pace is what the screen says of the shift beside its headline: the most frequent
// reasons, and where there is room how the nests do, and the check unit.
func (v *view) pace(large bool) []string {
	var lines []string
	if text := v.lang.reasons(v.snap.Counters, 3); text != "" {
		lines = append(lines, text)
	}
	c := &v.snap.Counters
	if !large || c.Since.IsZero() {
		return lines
	}
	if c.Units > 0 {
		nests, check := v.lang.nestYields(c), v.lang.checkAge(c, v.snap.At)
		if nests != "" {
			check = small(check)
		}
		lines = append(lines, joined(nests, check))
	}
	return lines
}

// nestYields says the first pass of each nest, "" where there is none yet.
func (l *Language) nestYields(c *station.Counters) string {
	var nests []string
	for _, n := range c.Nests {
		nests = append(nests, fmt.Sprintf("%s %.0f %%", l.aloud(n.Name), 100*float64(n.Passed)/float64(max(n.First, 1))))
	}
	if len(nests) == 0 {
		return ""
	}
	return fill(l.fig.nests, "list", strings.Join(nests, ", "))
}

// checkAge says how long ago a check unit passed.
func (l *Language) checkAge(c *station.Counters, at time.Time) string {
	if c.Checked.IsZero() {
		return l.fig.never
	}
	return fill(l.fig.check, "age", station.Age(at.Sub(c.Checked)).String())
}

// small begins a text with a small letter, to stand after a comma.
func small(s string) string {
	r, w := utf8.DecodeRuneInString(s)
	return string(unicode.ToLower(r)) + s[w:]
}

// joined puts parts side by side, without those that say nothing.
func joined(parts ...string) string {
	var some []string
	for _, p := range parts {
		if p != "" {
			some = append(some, p)
		}
	}
	return strings.Join(some, ", ")
}

// rate says units an hour, nothing where they are not known.
func (l *Language) rate(text string, perHour float64) string {
	if math.IsNaN(perHour) {
		return ""
	}
	return fill(text, "n", fmt.Sprintf("%.0f", perHour))
}

// tallies says which soft bins most units went to, "" for none.
func (l *Language) tallies(list []station.Tally, most int) string {
	var said []string
	for _, t := range list[:min(most, len(list))] {
		name := t.Text.In(l.name)
		if name == "" {
			name = t.Name
		}
		said = append(said, fmt.Sprintf("%s %d", name, t.Units))
	}
	return strings.Join(said, ", ")
}

// clockAt is how hand-overs write times: with the site's offset, since a day may
// have an hour twice.
const clockAt = "2006-01-02 15:04 -07:00"

// HandOver says a hand-over, line by line.
func (l *Language) HandOver(h shift.HandOver) []string {
	t := &l.fig
	who := h.Station
	if h.Named && h.Person != "" {
		who = h.Person
	}
	hours := func(d time.Duration) string { return fmt.Sprintf("%.2f", d.Hours()) }
	lines := []string{
		fill(l.words.handOver, "operator", who, "from", h.From.Format(clockAt), "to", h.To.Format(clockAt)),
		fill(t.worked, "elapsed", hours(h.Elapsed()), "worked", hours(h.Counters.Work)),
		l.settings(h.Settings),
		strings.Join(l.counted(h.Counters, 0), ", "),
		fill(t.holds, "n", len(h.Holds)), // whatever has no room on a page
	}
	lines = append(lines, l.figures(&h)...)
	if text := l.reasons(h.Counters, len(h.Counters.Bins)); text != "" {
		lines = append(lines, text)
	}
	for _, u := range h.Holds {
		text := fill(t.held, "serial", u.Serial, "time", u.Since.In(h.To.Location()).Format(clockAt), "age", station.Age(h.To.Sub(u.Since)).String())
		if u.Box != "" {
			text += fill(t.heldBox, "box", u.Box)
		}
		lines = append(lines, text)
	}
	for _, s := range h.Stops {
		lines = append(lines, l.words.stop+l.sentence(s.Code, s.Args))
	}
	for _, x := range h.Lifted {
		lines = append(lines, fill(t.lifted, "time", x.At.In(h.To.Location()).Format(clockAt), "by", joined(x.By, x.Method), "stop", l.say(x.Code, x.Args)))
	}
	for _, m := range h.Standing {
		lines = append(lines, l.sentence(m.Code, m.Args))
	}
	return lines
}
