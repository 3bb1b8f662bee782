package decision_test

import (
	"crypto/ed25519"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/release"
	"example.org/panecal/station/decision"
)

// keys are those of who may decide.
type keys map[string]ed25519.PublicKey

func (k keys) Key(person string) (ed25519.PublicKey, bool) { one, ok := k[person]; return one, ok }

var noon = time.Date(2027, 3, 1, 12, 0, 0, 0, time.UTC)

func newKey(t *testing.T, person string) release.Key {
	t.Helper()
	k, err := release.NewKey(person)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// TestOpen: a hold is taken unsigned, all else only with the signature of the
// person whom it names and who may decide; nothing else is a decision.
func TestOpen(t *testing.T) {
	lead, stranger := newKey(t, "p2"), newKey(t, "p9")
	known := keys{"p2": lead.Public()}
	order := func(v decision.Verb) decision.Order {
		o, err := decision.New(decision.Order{Verb: v, Serial: "H54-1", Reason: "scratch", By: "p2"}, noon)
		if err != nil {
			t.Fatal(err)
		}
		return o
	}
	other := order(decision.Unhold)
	other.By = "p1"
	note := lead.SignFile("note", order(decision.Unhold).Plain())
	foreign := lead.SignFile("decision", other.Plain())
	tampered := []byte(strings.Replace(string(order(decision.Unhold).Sign(lead)), "H54-1", "H54-2", 1))
	for name, c := range map[string]struct {
		file []byte
		want string // "" for taken
	}{
		"hold, signed":           {order(decision.Hold).Sign(lead), ""},
		"hold, unsigned":         {order(decision.Hold).Plain(), ""},
		"unhold, signed":         {order(decision.Unhold).Sign(lead), ""},
		"unhold, unsigned":       {order(decision.Unhold).Plain(), "only a hold is taken unsigned"},
		"scrap, unsigned":        {order(decision.Scrap).Plain(), "needs a signature"},
		"reworked, unsigned":     {order(decision.Reworked).Plain(), "needs a signature"},
		"by a stranger":          {order(decision.Unhold).Sign(stranger), `no key of "p9"`},
		"tampered":               {tampered, "does not fit"},
		"a note":                 {note, "is no decision"},
		"signed for another":     {foreign, `says "p1" decided`},
		"rubbish":                {[]byte("rubbish"), "this is none"},
		"nothing":                {nil, "this is none"},
		"another field":          {[]byte(`{"schema":"panecal.decision/1","x":1}`), "unknown field"},
		"two":                    {append(order(decision.Hold).Plain(), order(decision.Hold).Plain()...), "something follows"},
		"everything ever made":   {[]byte(`{"schema":"panecal.decision/1","verb":"hold","chosen":{},"reason":"x","by":"p2","time":"2027-03-01T12:00:00Z"}`), "give a filter"},
		"serial and filters":     {[]byte(`{"schema":"panecal.decision/1","verb":"hold","serial":"A","chosen":{"lot":"x"},"reason":"x","by":"p2","time":"2027-03-01T12:00:00Z"}`), "one serial, or filters"},
		"no reason":              {[]byte(`{"schema":"panecal.decision/1","verb":"hold","serial":"A","reason":" ","by":"p2","time":"2027-03-01T12:00:00Z"}`), "a reason has"},
		"nobody":                 {[]byte(`{"schema":"panecal.decision/1","verb":"hold","serial":"A","reason":"x","by":"","time":"2027-03-01T12:00:00Z"}`), "who decides"},
		"in the station's name":  {[]byte(`{"schema":"panecal.decision/1","verb":"hold","serial":"A","reason":"x","by":"station","time":"2027-03-01T12:00:00Z"}`), "who decides"},
		"concession for a hold":  {[]byte(`{"schema":"panecal.decision/1","verb":"hold","serial":"A","document":"C","reason":"x","by":"p2","time":"2027-03-01T12:00:00Z"}`), "belongs to unhold"},
		"escapes in the reason":  {[]byte(`{"schema":"panecal.decision/1","verb":"hold","serial":"A","reason":"\u001b[2J","by":"p2","time":"2027-03-01T12:00:00Z"}`), "printable"},
		"a verb of another kind": {[]byte(`{"schema":"panecal.decision/1","verb":"release","serial":"A","reason":"x","by":"p2","time":"2027-03-01T12:00:00Z"}`), "nothing that can be decided"},
	} {
		_, signed, err := decision.Open(c.file, known)
		if c.want == "" && (err != nil || signed != strings.HasPrefix(string(c.file), "panecal signed")) {
			t.Errorf("%s: signed %v, %v", name, signed, err)
		}
		if c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}
