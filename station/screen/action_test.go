package screen_test

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"example.org/panecal/station"
	"example.org/panecal/station/screen"
)

// verbs are what hands and people are told to do, in each language. An action has
// one of them: who reads two does one.
var verbs = map[string]string{
	"en": `call clear close cut do give go keep leave let look press push put read reseat run scan seat shade switch take tell wait wipe write open remove bring`,
	"de": `abschalten abschatten abwarten bringen entfernen einlegen einsetzen geben halten herausnehmen lassen legen lesen loslassen lösen messen nehmen prüfen
		räumen rufen sagen scannen schieben schreiben sperren stellen tun warten wegnehmen weitermachen wischen zurücklegen schließen drücken öffnen`,
	"es": `avise continúe corte dé deje despeje devuélvala empuje escanee escanéela escriba espere haga lea limpie llame llévela mida mire pase pásela ponga póngala pulse
		quite recoloque retenga sáquela saque siga suelte traiga vuelva abra cierre compruebe`,
}

// together are actions of more than one verb that are one movement, a choice or a
// caution, and why.
var together = map[station.Code]string{
	station.HandsTakeOut:  "the way to name a unit that came before its label: each word is one movement",
	station.HandsTargetIn: "bring and let go are one movement",
	station.HandsConfirm:  "a choice of two",
	station.HandsEmitter:  "a caution, the switch, and what says that it is done",
	station.HandsWait:     "nothing to do",
}

// states are sentences of class Guide that say a state: their action says what to do.
var states = []station.Code{station.HandsBoxFull, station.HandsBoxOpen, station.HandsNoPorts, station.HandsStray, station.HandsStopped, station.HandsStarting, station.HandsLeaving}

// TestOneAction: each entry of the table of codes tells one action, in one
// sentence that says nothing else but to whom, where, or about what.
func TestOneAction(t *testing.T) {
	word := regexp.MustCompile(`\pL+`)
	for _, name := range screen.Languages() {
		texts, list := lang(t, name).Texts(), strings.Fields(verbs[name])
		count := func(text string) (n int) {
			text, about, _ := strings.Cut(text, ": ")
			if first := strings.ToLower(word.FindString(about)); first != "" && slices.Contains(list, first) {
				n++ // what it is about is no verb
			}
			for _, w := range word.FindAllString(regexp.MustCompile(`\{[a-z]+\}`).ReplaceAllString(text, "0"), -1) {
				if w == strings.ToUpper(w) { // CMD …, or a letter
					continue
				}
				if slices.Contains(list, strings.ToLower(w)) {
					n++
				}
			}
			return n
		}
		tried := 0
		for _, m := range station.Codes() {
			if together[m.Code] != "" {
				continue
			}
			do := texts["code "+string(m.Code)+", action"]
			if m.Class == station.Guide {
				say := texts["code "+string(m.Code)]
				if n := count(strings.TrimPrefix(say, "{nest}: ")); n != 1 && !slices.Contains(states, m.Code) {
					t.Errorf("%s: %s tells %d actions: %q", name, m.Code, n, say)
				}
				if n := count(do); n > 1 {
					t.Errorf("%s: %s tells %d more: %q", name, m.Code, n, do)
				}
				continue
			}
			tried++
			if n := count(do); n != 1 {
				t.Errorf("%s: %s tells %d actions: %q", name, m.Code, n, do)
			}
			if strings.Contains(do, ";") || strings.Count(do, ".") != 1 || !strings.HasSuffix(do, ".") {
				t.Errorf("%s: %s is not one sentence: %q", name, m.Code, do)
			}
		}
		if tried < 80 {
			t.Errorf("%s: %d actions", name, tried)
		}
	}
}
