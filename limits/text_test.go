package limits_test

import (
	"strings"
	"testing"

	"example.org/panecal/limits"
)

// A file may say its words in the languages of the operators; what it does not
// say stands as it is, and an instruction of its own is not mixed with ours.
func TestWordsInLanguages(t *testing.T) {
	const words = `
[bin.dirty.de]
text = "Fenster schmutzig"
instruction = "Fenster wischen, wiederholen."
[limit."offset.mean".es]
instruction = "Revise el asiento."
[hard_bin.rework]
number = 2
[hard_bin.rework.de]
text = "Nacharbeit"
[bin.label]
instruction = "Call the line lead."
[bin.no_answer.de]
instruction = "Anderes Kabel nehmen."
`
	f := read(t, good+words)
	b, _ := f.Bin("dirty")
	if b.Instruction.In("de") != "Fenster wischen, wiederholen." || b.Instruction.In("es") != b.Instruction.Plain ||
		b.Text.In("de") != "Fenster schmutzig" || b.Hard.Text.In("de") != "Nacharbeit" {
		t.Errorf("bin %+v", b)
	}
	for _, l := range f.Limits {
		if l.Name == "offset.mean" && (l.Instruction.In("es") != "Revise el asiento." || l.Instruction.In("de") != l.Instruction.Plain) {
			t.Errorf("limit %+v", l.Instruction)
		}
	}
	if b, _ := f.Bin(limits.NoAnswer); b.Instruction.In("de") != "Anderes Kabel nehmen." || b.Instruction.In("es") != "Ponga la unidad en la caja de retenidas." {
		t.Errorf("replaced: %+v", b.Instruction)
	}
	if b, _ := f.Bin(limits.Label); b.Instruction.In("es") != "Call the line lead." {
		t.Errorf("own: %+v", b.Instruction)
	}
	if b, _ := f.Bin(limits.Capture); b.Instruction.In("de") == b.Instruction.Plain || b.Instruction.In("es") == b.Instruction.Plain {
		t.Errorf("reserved: %+v", b.Instruction)
	}
	for text, none := range map[limits.Text]bool{{}: true, {Plain: "a"}: false, {DE: "a"}: false} {
		if text.IsZero() != none {
			t.Errorf("%+v is no text: %v", text, !none)
		}
	}
	for _, bad := range []struct{ words, want string }{
		{"[bin.dirty.fr]\ntext = \"sale\"\n", "fr"},
		{"[limit.\"offset.mean\".de]\ntext = \"Versatz\"\n", "text"},
		{"[bin.dirty.de]\ninstruction = \"" + strings.Repeat("lang ", 30) + "\"\n", "write it shorter"},
	} {
		if _, err := limits.Read("limits.toml", []byte(good+"\n"+bad.words)); err == nil || !strings.Contains(err.Error(), bad.want) {
			t.Errorf("%s: %v", bad.words, err)
		}
	}
}
