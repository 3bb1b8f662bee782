package conform

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"maps"
	"math/bits"
	"slices"
	"strings"

	"example.org/panecal/protocol"
)

func packetChecks() []check {
	return []check{
		{"one packet per request, and nothing else", []string{"1.2"}, checkUnasked},
		{"several requests in flight", []string{"1.3", "2.2", "4.5.7", "4.5.8"}, checkInFlight},
		{"stuffing and shared delimiters", []string{"3.1.3", "3.1.4"}, checkStuffing},
		{"long blocks of stuffing", []string{"3.1.3"}, checkLongAnswers},
		{"damaged packets", []string{"3.1.2", "3.1.5"}, checkDamaged},
		{"sizes of requests", []string{"3.2.5", "3.1.5"}, checkSizes},
		{"encodings that no sender may use", []string{"3.3.5"}, checkEncodings},
		{"keys of a later version", []string{"3.3.6", "4.6.3"}, checkUnknownKeys},
		{"large numbers", []string{"3.3.7"}, checkLargeNumbers},
	}
}

// alive sends a status request and returns everything that comes until its
// answer.
func (r *run) alive() (before []heard, ok bool) {
	id := r.newID()
	r.sendAs(id, protocol.OpStatus, envelope(id, r.session, protocol.OpStatus, pairs{}))
	for {
		h, ok := r.receive()
		if !ok {
			r.open = nil
			return before, false
		}
		if h.ID == id {
			return before, true
		}
		before = append(before, h)
	}
}

// dropped sends bytes that the unit has to ignore, then a good request, which
// has to be the only one answered. id is the one that the bytes would have.
func (r *run) dropped(clause, what string, id uint32, b []byte) bool {
	r.transmit(b)
	for _, op := range []protocol.Op{protocol.OpStatus, protocol.OpStage, protocol.OpFetch} {
		r.expect(id, op)
		r.open[len(r.open)-1].may = true
	}
	before, ok := r.alive()
	r.open = nil
	for _, h := range before {
		r.fail(clause, "%s is answered (code %d)", what, h.Code)
	}
	return r.want(clause, ok, "behind %s a good request is not answered", what) && len(before) == 0
}

func (r *run) statusPayload() (id uint32, payload []byte) {
	id = r.newID()
	return id, envelope(id, r.session, protocol.OpStatus, pairs{})
}

func checkUnasked(r *run) {
	p, ok := r.start(r.main(), r.shots(150), 1)
	if !ok {
		return
	}
	// It ends in between, which the unit must not tell unasked.
	for range 4 {
		r.settle()
	}
	if p, ok = r.progress(p.Capture); ok {
		r.want("1.2", p.End != protocol.Running, "a capture of 150 ms still runs after 400 ms without a word; nothing could be seen")
	}
}

// checkInFlight fills the unit's buffer with its largest requests while it
// sends its largest answers, and loses one of them.
func checkInFlight(r *run) {
	for range r.id.MaxHeld {
		r.send(&protocol.AskStatus{})
	}
	if got := len(r.answers()); !r.want("4.5.7", got == r.id.MaxHeld, "of %d short requests sent at once %d are answered", r.id.MaxHeld, got) {
		return
	}
	largest := protocol.Stage{Length: 4 * r.id.MaxIn, Data: bytes.Repeat([]byte{0xa5}, r.id.MaxIn-r.stageHead(4*r.id.MaxIn, 0))}
	if _, ok := r.ask(&largest); !ok {
		return
	}
	for lose := -1; lose < r.id.MaxHeld; lose++ {
		var ids []uint32
		for i := range r.id.MaxHeld {
			id := r.newID()
			payload := r.payloadOf(id, &largest)
			if i%2 == 1 {
				payload = r.payloadOf(id, &protocol.ReadConstants{Count: protocol.MaxPayload})
			}
			packet := packetOf(payload)
			if i == lose {
				packet[len(packet)/2] ^= 0x10
				r.transmit(packet)
				continue
			}
			r.transmit(packet)
			r.expect(id, map[bool]protocol.Op{false: protocol.OpStage, true: protocol.OpReadConstants}[i%2 == 1])
			ids = append(ids, id)
		}
		var got []uint32
		for _, h := range r.answers() {
			got = append(got, h.ID)
		}
		clause := "2.2"
		if lose >= 0 {
			clause = "4.5.8"
		}
		if !r.want(clause, slices.Equal(got, ids), "of %d requests sent at once %d are answered", len(ids), len(got)) {
			return
		}
		r.tried("4.5.7")
	}
	// More than it holds: it may drop some, answers come in order, and it
	// goes on.
	for range 3 * r.id.MaxHeld {
		r.send(&protocol.AskStatus{})
		r.open[len(r.open)-1].may = true
	}
	r.answers()
	_, ok := r.alive()
	r.want("4.5.7", ok, "after more requests than it holds the unit does not answer")
}

// stageHead is the number of bytes of a stage request's payload beside its
// data, for data of more than 255 bytes.
func (r *run) stageHead(length, offset int) int {
	id := r.lastID + 1<<16 // as long as any that comes
	return len(envelope(id, r.session, protocol.OpStage, pairs{{1, length}, {2, offset}, {3, make([]byte, 256)}})) - 256
}

func checkStuffing(r *run) {
	// A stage request whose stuffed bytes end with a whole block of 254.
	whole := false
	for n := 200; n <= r.id.MaxIn-64 && !whole; n++ {
		id := r.newID()
		payload := r.payloadOf(id, &protocol.Stage{Length: 4096, Data: bytes.Repeat([]byte{0x5a}, n)})
		stuffed := stuff(sealed(payload))
		if at := lastBlock(stuffed); stuffed[at] != 0xff || at+255 != len(stuffed) {
			continue
		}
		whole = true
		for _, form := range []struct {
			clause string
			bytes  []byte
		}{{"3.1.3", stuffed}, {"3.1.4", append(slices.Clone(stuffed), 1)}} {
			r.transmit(framed(form.bytes))
			r.expect(id, protocol.OpStage)
			got := r.answers()
			r.want(form.clause, len(got) == 1, "a request whose stuffing ends with a block of 254 (%d bytes) is not answered", len(form.bytes))
		}
	}
	if !whole {
		r.skip("no request of this unit's size ends with a whole block", "3.1.4")
	}
	// Requests that share their delimiters, and empty gaps.
	var line []byte
	n := min(3, r.id.MaxHeld)
	for range n {
		id, payload := r.statusPayload()
		line = append(append(line, 0), stuff(sealed(payload))...)
		r.open = append(r.open, asked{id: id, op: protocol.OpStatus, session: r.session})
	}
	r.transmit(append(line, 0))
	for i := range r.open {
		r.open[i].sent = r.sentAt
	}
	got := r.answers()
	r.want("3.1.4", len(got) == n, "of %d requests with one 0x00 between them %d are answered", n, len(got))
	id, payload := r.statusPayload()
	r.transmit(slices.Concat(make([]byte, 300), stuff(sealed(payload)), make([]byte, 300)))
	r.expect(id, protocol.OpStatus)
	r.want("3.1.4", len(r.answers()) == 1, "a request among many 0x00 is not answered")
	// All values of a byte, with many zeros and without.
	length := len(r.block(protocol.Written, 1))
	for _, data := range [][]byte{make([]byte, 128), counting(128, 0), counting(128, 1), counting(128, 128)} {
		r.code("3.1.3", protocol.CodeOK, &protocol.Stage{Length: length, Data: data})
	}
}

// checkLongAnswers reads many bytes without a zero among them, so that the
// blocks of the stuffing end before, at and behind the end of the packet.
func checkLongAnswers(r *run) {
	full := func(bins int) []byte {
		b := r.constants(21)
		b.Bins, b.LeakageBins = bins, make([]int16, bins*r.id.Zones())
		for i := range b.LeakageBins {
			b.LeakageBins[i] = 0x2b3c
		}
		for z := range b.Leakage {
			b.Leakage[z], b.Offsets[z] = 0x11223344, 0x11223344
		}
		data, err := b.Marshal()
		if err != nil {
			r.fail("6.1", "this program cannot build a block for the unit: %v", err)
		}
		return data
	}
	bins := r.constants(21).Bins
	data := full(bins)
	if run := (8 + 2*bins) * r.id.Zones(); run < 276 && bins > 0 {
		// More bins than it has to hold; it may.
		if more := full(min(r.id.Bins, 320/r.id.Zones())); r.holds(more) {
			data = more
		}
	}
	if len(data)-92-68 < 276 {
		r.skip("the unit's constants are too short for a block of 254 bytes", "3.1.3")
		return
	}
	if !r.writeBlock("5.6.4", data) {
		return
	}
	for n := 225; n < 275; n++ {
		for _, at := range []int{92, 93} {
			h, ok := r.ask(&protocol.ReadConstants{Offset: at, Count: n})
			c, good := h.Body.(*protocol.ConstantsPart)
			r.want("3.1.3", ok && good && bytes.HasPrefix(data[at:], c.Data), "%d bytes without a zero are not given out as they are", n)
		}
	}
}

// lastBlock is where the last block of stuffed bytes begins.
func lastBlock(stuffed []byte) int {
	at := 0
	for at+int(stuffed[at]) < len(stuffed) {
		at += int(stuffed[at])
	}
	return at
}

func counting(n int, from byte) []byte {
	out := make([]byte, n)
	for i := range out {
		out[i] = from + byte(i)
	}
	return out
}

// checkDamaged flips each bit of several packets, cuts them, and strews
// garbage.
func checkDamaged(r *run) {
	id, payload := r.statusPayload()
	wrong := map[string]uint32{
		"most significant byte first": bits.ReverseBytes32(checksum(payload)),
		"without the final inversion": ^checksum(payload),
		"that is zero":                0,
	}
	for _, what := range sorted(wrong) {
		whole := binary.LittleEndian.AppendUint32(slices.Clone(payload), wrong[what])
		r.dropped("3.1.2", "a request with a check "+what, id, framed(stuff(whole)))
	}
	payloads := map[string]func(id uint32) []byte{
		"a status request": func(id uint32) []byte { return envelope(id, r.session, protocol.OpStatus, pairs{}) },
		"a stage request": func(id uint32) []byte {
			return r.payloadOf(id, &protocol.Stage{Length: 64, Data: []byte{0, 1, 0, 255, 0, 0, 7}})
		},
		"a fetch": func(id uint32) []byte {
			return r.payloadOf(id, &protocol.Fetch{Capture: 1, Table: protocol.TotalTable, Count: 1})
		},
	}
	for _, what := range sorted(payloads) {
		build := payloads[what]
		id := r.newID()
		packet := packetOf(build(id))
		for bit := range 8 * len(packet) {
			bad := slices.Clone(packet)
			bad[bit/8] ^= 1 << (bit % 8)
			if bit/8 == 0 || bit/8 == len(packet)-1 {
				continue // a damaged delimiter is among the garbage below
			}
			if !r.dropped("3.1.5", fmt.Sprintf("%s with bit %d flipped", what, bit), id, bad) {
				return
			}
		}
		for n := 1; n < len(packet)-1; n++ {
			if !r.dropped("3.1.5", fmt.Sprintf("the first %d of %d bytes of %s", n, len(packet), what), id, packet[:n]) {
				return
			}
		}
		if !r.dropped("3.1.5", what+" without its first delimiter behind other bytes", id, append([]byte{0, 3, 'a', 'b'}, packet[1:]...)) {
			return
		}
	}
	garbage := [][]byte{
		[]byte("help\r\n"), {0xff}, {0, 0xff, 0}, {0, 1, 0}, {0, 2, 0}, {0, 5, 1, 2, 3, 4, 0},
		bytes.Repeat([]byte{0x55}, 3*r.id.MaxIn), bytes.Repeat([]byte{0, 7}, 40),
		append([]byte{0}, bytes.Repeat([]byte{0xff}, 2*protocol.MaxPayload)...),
		[]byte(strings.Repeat("noise \x00", 20)),
	}
	for range 20 {
		junk := make([]byte, r.random.IntN(600))
		for i := range junk {
			junk[i] = byte(r.random.Uint32())
		}
		garbage = append(garbage, junk)
	}
	for _, junk := range garbage {
		r.dropped("3.1.5", fmt.Sprintf("garbage of %d bytes", len(junk)), id, junk)
	}
}

func checkSizes(r *run) {
	r.want("3.2.5", r.id.MaxIn >= 256 && r.id.MaxOut >= 512 && r.id.MaxOut <= protocol.MaxPayload,
		"payloads of %d bytes taken in, %d sent", r.id.MaxIn, r.id.MaxOut)
	stage := func(payload int) (uint32, []byte) {
		id := r.newID()
		data := max(1, payload-r.stageHead(1<<15, 0))
		for {
			p := r.payloadOf(id, &protocol.Stage{Length: 1 << 15, Data: bytes.Repeat([]byte{0xc3}, data)})
			if len(p) >= payload {
				return id, p
			}
			data++
		}
	}
	for _, size := range []int{256, r.id.MaxIn - 1, r.id.MaxIn} {
		id, payload := stage(size)
		r.sendAs(id, protocol.OpStage, payload)
		got := r.answers()
		r.want("3.2.5", len(got) == 1, "a request with a payload of %d bytes is not answered, %d are announced", len(payload), r.id.MaxIn)
	}
	for _, size := range []int{r.id.MaxIn + 1, r.id.MaxIn + 255, 2 * r.id.MaxIn} {
		id, payload := stage(size)
		r.dropped("3.1.5", fmt.Sprintf("a payload of %d bytes, over the %d announced,", len(payload), r.id.MaxIn), id, packetOf(payload))
	}
}

// wrongEncodings are payloads that look like a status request otherwise.
func wrongEncodings(id, session uint32) map[string][]byte {
	ask := func(v any) []byte { return envelope(id, session, protocol.OpStatus, pairs{{100, v}}) }
	good := envelope(id, session, protocol.OpStatus, pairs{})
	argsAt := len(good) - 1
	args := func(b ...byte) []byte { return append(slices.Clone(good[:argsAt]), b...) }
	return map[string][]byte{
		"a half-precision number":          ask(raw{0xf9, 0x3c, 0x00}),
		"a single-precision number":        ask(raw{0xfa, 0x3f, 0x80, 0, 0}),
		"a double-precision number":        ask(raw{0xfb, 0x3f, 0xf0, 0, 0, 0, 0, 0, 0}),
		"false":                            ask(raw{0xf4}),
		"true":                             ask(raw{0xf5}),
		"null":                             ask(raw{0xf6}),
		"undefined":                        ask(raw{0xf7}),
		"another simple value":             ask(raw{0xf8, 0x20}),
		"tag 1":                            ask(raw{0xc1, 0x00}),
		"tag 65":                           ask(raw{0xd8, 65, 0x42, 1, 2}),
		"an indefinite byte string":        ask(raw{0x5f, 0x41, 1, 0xff}),
		"an indefinite text":               ask(raw{0x7f, 0x61, 'a', 0xff}),
		"an indefinite array":              ask(raw{0x9f, 0xff}),
		"an indefinite map":                ask(raw{0xbf, 0xff}),
		"indefinite arguments":             args(0xbf, 0xff),
		"5 in two bytes":                   ask(raw{0x18, 5}),
		"5 in three bytes":                 ask(raw{0x19, 0, 5}),
		"5 in five bytes":                  ask(raw{0x1a, 0, 0, 0, 5}),
		"5 in nine bytes":                  ask(raw{0x1b, 0, 0, 0, 0, 0, 0, 0, 5}),
		"−6 in two bytes":                  ask(raw{0x38, 5}),
		"a length in more bytes":           ask(raw{0x58, 1, 7}),
		"an array length in more bytes":    ask(raw{0x98, 1, 7}),
		"a reserved head":                  ask(raw{0x1c}),
		"keys in descending order":         envelope(id, session, protocol.OpStatus, pairs{{101, 0}, {100, 0}}),
		"a key twice":                      envelope(id, session, protocol.OpStatus, pairs{{100, 0}, {100, 0}}),
		"a key in more bytes":              args(0xa1, 0x18, 5, 0),
		"a negative key":                   args(0xa1, 0x20, 0),
		"a text key":                       args(0xa1, 0x61, 'a', 0),
		"descending keys further inside":   ask(pairs{{2, 0}, {1, 0}}),
		"text that is no UTF-8":            ask(raw{0x62, 0xc3, 0x28}),
		"text of half a surrogate pair":    ask(raw{0x63, 0xed, 0xa0, 0x80}),
		"a byte behind the item":           append(slices.Clone(good), 0),
		"two items":                        append(slices.Clone(good), good...),
		"a string longer than the payload": ask(raw{0x44, 1}),
		"arguments that end too soon":      args(0xa2, 0x18, 100, 0),
		"five levels":                      ask([]any{[]any{[]any{}}}),
		"thirty levels":                    ask(raw(append(bytes.Repeat([]byte{0x81}, 30), 0))),
		"counts of one byte in two":        ask(raw{0xd8, 69, 0x42, 1, 0}),
		"counts of two bytes in four":      ask(raw{0xd8, 70, 0x44, 1, 1, 0, 0}),
		"half a count":                     ask(raw{0xd8, 69, 0x43, 1, 1, 1}),
		"no counts, in two bytes each":     ask(raw{0xd8, 69, 0x40}),
		"a tag on a number":                ask(raw{0xd8, 64, 1}),
		"a message in two bytes too many":  append([]byte{0x98, 4}, good[1:]...),
	}
}

func checkEncodings(r *run) {
	id := r.newID()
	wrong := wrongEncodings(id, r.session)
	for _, what := range sorted(wrong) {
		r.dropped("3.3.5", "a request with "+what, id, packetOf(wrong[what]))
	}
}

// checkUnknownKeys sends what a station of a later version might.
func checkUnknownKeys(r *run) {
	values := map[string]any{
		"a number": 1, "the largest number": raw{0x1b, 0x7f, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}, "a negative number": -7,
		"text": "für später", "bytes": []byte{0, 1, 2}, "nothing": "", "four levels": []any{pairs{{9, 0}}},
		"counts": raw{0xd8, 69, 0x42, 1, 1}, "no counts": raw{0xd8, 64, 0x40}, "an array": []any{1, "a", []byte{2}},
	}
	for _, what := range sorted(values) {
		v := values[what]
		id := r.newID()
		h, ok := r.insist(id, protocol.OpStatus, envelope(id, r.session, protocol.OpStatus, pairs{{7, 0}, {40000, v}}))
		r.want("3.3.6", ok && h.Code == protocol.CodeOK, "status with %s under an unknown key is not answered, or with code %d", what, h.Code)
		id = r.newID()
		h, ok = r.insist(id, protocol.OpReadConstants, envelope(id, r.session, protocol.OpReadConstants, pairs{{0, v}, {1, 0}, {2, 16}, {3, 1}, {1 << 33, v}}))
		r.want("3.3.6", ok && h.Code == protocol.CodeOK, "read constants with %s under unknown keys is not answered, or with code %d", what, h.Code)
	}
	id := r.newID()
	if h, ok := r.insist(id, protocol.OpWhoAreYou, envelope(id, r.session, protocol.OpWhoAreYou, pairs{{1, "version 9"}})); ok {
		who, good := h.Body.(*protocol.Identity)
		r.want("4.6.3", good && *who == r.id, "who are you of a later station is answered with code %d, or otherwise", h.Code)
	}
	id = r.newID()
	if h, ok := r.insist(id, protocol.OpStop, envelope(id, r.session, protocol.OpStop, pairs{{1, []any{1}}})); ok {
		r.want("4.6.3", h.Code == protocol.CodeOK, "stop of a later station is answered with code %d", h.Code)
	}
}

func checkLargeNumbers(r *run) {
	// Identities of bits: every value comes back as it was.
	for _, id := range []uint32{0, 23, 24, 255, 256, 65535, 65536, 1<<31 - 1, 1 << 31, 1<<32 - 1} {
		h, ok := r.insist(id, protocol.OpStatus, envelope(id, r.session, protocol.OpStatus, pairs{}))
		r.want("3.3.7", ok && h.Code == protocol.CodeOK, "status with id %d is not answered with code 0", id)
	}
	capture := uint32(1<<32 - 1)
	if h, ok := r.ask(&protocol.CaptureRequest{ID: capture, Kind: r.main(), Shots: 1, Frames: 1}); ok {
		p, good := h.Body.(*protocol.Progress)
		r.want("3.3.7", good && p.Capture == capture, "a capture of id %d is answered with code %d or another id", capture, h.Code)
	}
	r.code("3.3.7", protocol.CodeOK, &protocol.ReadConstants{Offset: protocol.MaxBlock - 1, Count: protocol.MaxPayload})
	// The largest and smallest that CBOR can write, where nobody looks at them and where somebody does.
	for _, v := range []raw{{0x1b, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}, {0x3b, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff},
		{0x1b, 0x80, 0, 0, 0, 0, 0, 0, 0}, {0x3b, 0x80, 0, 0, 0, 0, 0, 0, 0}} {
		id := r.newID()
		h, ok := r.insist(id, protocol.OpStatus, envelope(id, r.session, protocol.OpStatus, pairs{{40000, v}, {1 << 40, []any{v}}}))
		r.want("3.3.7", ok && h.Code == protocol.CodeOK, "status with the integer % X under unknown keys is not answered, or with code %d", []byte(v), h.Code)
		id = r.newID()
		h, ok = r.insist(id, protocol.OpReadConstants, envelope(id, r.session, protocol.OpReadConstants, pairs{{1, v}, {2, 16}}))
		r.want("3.3.7", ok && h.Code == protocol.CodeBadArgument, "read constants from % X is not answered, or with code %d", []byte(v), h.Code)
	}
}

// sorted gives a table's lines in an order that is the same in every run.
func sorted[V any](table map[string]V) []string { return slices.Sorted(maps.Keys(table)) }
