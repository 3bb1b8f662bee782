package term_test

import (
	"strings"
	"testing"

	"example.org/panecal/station/screen/term"
)

func TestASCII(t *testing.T) {
	for _, c := range []struct{ in, spelt, plain string }{
		{"Nächstes Gerät, größer", "Naechstes Geraet, groesser", "Nachstes Gerat, groser"},
		{"¿Señal? Avería, máquina", "Senal? Averia, maquina", "?Senal? Averia, maquina"},
		{"200 ± 0.15 mm", "200 +/- 0.15 mm", "200 ? 0.15 mm"},
		{"界 is wide", "? is wide", "? is wide"},
	} {
		if got := strings.Map(term.Plainest, term.Spell(c.in)); got != c.spelt {
			t.Errorf("%q spelt %q, want %q", c.in, got, c.spelt)
		}
		if got := strings.Map(term.Plainest, c.in); got != c.plain {
			t.Errorf("%q plain %q, want %q", c.in, got, c.plain)
		}
	}
}
