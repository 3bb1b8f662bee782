package conform

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"slices"
	"time"

	"example.org/panecal/protocol"
)

func constantsChecks() []check {
	return []check{
		{"staging", []string{"5.6.2", "5.6.3", "5.6.10"}, checkStaging},
		{"commit", []string{"5.6.4", "5.6.11", "5.6.5", "4.5.2", "4.5.3", "4.5.4"}, checkCommit},
		{"busy", []string{"4.4.4", "4.5.2", "4.5.3"}, checkBusy},
		{"the block in force", []string{"5.6.1", "5.6.3", "6.1", "6.3"}, checkBlock},
		{"void", []string{"5.6.7", "6.4", "4.4.1", "4.4.3"}, checkVoid},
		{"constants and captures", []string{"5.6.8", "4.5.5"}, checkConstantsWhileCapturing},
		{"constants applied", []string{"5.3.7", "5.5.3", "6.2"}, checkApplied},
	}
}

func checkStaging(r *run) {
	before := r.block(protocol.Written, 1)
	if !r.writeBlock("5.6.4", before) {
		return
	}
	r.session = r.newSession() // which forgets what was staged
	r.ask(&protocol.WhoAreYou{})
	n := len(before)
	data := counting(n, 7)
	put := func(length, from, to, want int, what string) bool {
		h, ok := r.ask(&protocol.Stage{Length: length, Offset: from, Data: data[from:to]})
		if !ok {
			return false
		}
		s, good := h.Body.(*protocol.Staged)
		return r.want("5.6.2", good && s.Held == want, "%s: code %d, %s bytes held, not %d", what, h.Code, held(s), want)
	}
	_ = put(n, 40, 60, 0, "a part that does not begin where nothing is held") &&
		put(n, 0, 50, 50, "the first part") &&
		put(n, 50, 80, 80, "the next part") &&
		put(n, 50, 80, 80, "the same part again") &&
		put(n, 60, 100, 100, "a part that overlaps") &&
		put(n, 10, 20, 100, "a part within what is held") &&
		put(n, 101, 120, 100, "a part behind a gap of one byte") &&
		put(n-1, 100, 110, 100, "a part of another length") &&
		put(n, 100, 120, 120, "the part that was missing") &&
		put(n, 0, 30, 30, "a part at offset 0, which begins anew") &&
		put(n-8, 0, 20, 20, "offset 0 of another length") &&
		put(n, 20, 40, 20, "a part of the length before")
	r.inForce("5.6.3", before, "after staging")
	// A block of the largest length: it takes it, or says that it cannot.
	if h, ok := r.ask(&protocol.Stage{Length: protocol.MaxBlock, Data: data[:16]}); ok {
		r.want("5.6.3", h.Code == protocol.CodeOK || h.Code == protocol.CodeBadArgument, "a block of %d bytes is answered with code %d", protocol.MaxBlock, h.Code)
	}
	id := r.newID()
	reach := envelope(id, r.session, protocol.OpStage, pairs{{1, 64}, {2, 60}, {3, []byte{1, 2, 3, 4, 5}}})
	if h, ok := r.insist(id, protocol.OpStage, reach); ok {
		r.want("5.6.3", h.Code == protocol.CodeBadArgument, "a part that reaches beyond its block is answered with code %d", h.Code)
	}
	r.inForce("5.6.3", before, "after staging")
	r.forgets()
}

// forgets looks at what is staged after what may forget it: it goes on from
// there or begins anew, and either way a block can be staged.
func (r *run) forgets() {
	one, other := r.block(protocol.Written, 22), r.block(protocol.Written, 23)
	n := len(one)
	goesOn := func(after string, all int) {
		h, ok := r.ask(&protocol.Stage{Length: n, Offset: 50, Data: one[50:51]})
		s, good := h.Body.(*protocol.Staged)
		r.want("5.6.10", !ok || good && (s.Held == 0 || s.Held == all), "after %s a part at offset 50 is answered with code %d, %s bytes held", after, h.Code, held(s))
	}
	if !r.writeBlock("5.6.10", one) {
		return
	}
	goesOn("a commit", n)
	if !r.stage(one) {
		return
	}
	r.code("5.6.4", protocol.CodeNotStaged, &protocol.Commit{Length: n, CRC: lastFour(one) ^ 1})
	h, ok := r.ask(&protocol.Stage{Length: n, Offset: 50, Data: one[50:51]})
	s, good := h.Body.(*protocol.Staged)
	r.want("5.6.10", !ok || good && s.Held == n, "a refused commit forgets what was staged (code %d, %s bytes held)", h.Code, held(s))
	r.code("5.6.7", protocol.CodeOK, &protocol.Void{})
	goesOn("a void", n)
	_ = r.writeBlock("5.6.10", other) && r.inForce("5.6.10", other, "staged after a void")
}

// holds says whether the unit takes a block of that length (5.6.3).
func (r *run) holds(block []byte) bool {
	h, ok := r.ask(&protocol.Stage{Length: len(block), Data: block[:part]})
	return ok && h.Code != protocol.CodeBadArgument
}

func held(s *protocol.Staged) string {
	if s == nil {
		return "no"
	}
	return fmt.Sprint(s.Held)
}

// resealed gives a block the CRC that its bytes have.
func resealed(block []byte) []byte {
	n := len(block) - 4
	return binary.LittleEndian.AppendUint32(slices.Clone(block[:n]), checksum(block[:n]))
}

func checkCommit(r *run) {
	good := r.block(protocol.Written, 2)
	if !r.writeBlock("5.6.4", good) || !r.inForce("5.6.4", good, "after a commit") {
		return
	}
	next := r.block(protocol.Written, 3)
	refuse := func(clause string, code protocol.Code, block []byte, what string) {
		if len(block) > len(good) && !r.holds(block) {
			return
		}
		if r.stage(block) {
			got, ok := r.commit(block)
			r.want(clause, !ok || got == code, "commit of %s is answered with code %d, not %d", what, got, code)
			r.inForce(clause, good, "after a refused commit of "+what)
		}
	}
	// Nothing, or not all, is staged.
	r.session = r.newSession()
	r.ask(&protocol.WhoAreYou{})
	code, ok := r.commit(next)
	r.want("5.6.4", !ok || code == protocol.CodeNotStaged, "commit of what was never staged: code %d", code)
	r.ask(&protocol.Stage{Length: len(next), Data: next[:100]})
	code, ok = r.commit(next)
	r.want("5.6.4", !ok || code == protocol.CodeNotStaged, "commit of a block staged in part: code %d", code)
	if r.stage(next) {
		r.code("5.6.4", protocol.CodeNotStaged, &protocol.Commit{Length: len(next), CRC: lastFour(next) ^ 1})
		r.code("5.6.4", protocol.CodeNotStaged, &protocol.Commit{Length: len(next) - 1, CRC: lastFour(next)})
	}
	r.inForce("5.6.4", good, "after refused commits")
	edit := func(at int, v byte) []byte {
		b := slices.Clone(next)
		b[at] = v
		return b
	}
	n := len(next)
	for _, at := range []int{0, 30, 95, n / 2, n - 9, n - 8, n - 5} {
		refuse("5.6.4", protocol.CodeNotStaged, edit(at, next[at]^0x10), fmt.Sprintf("a block with byte %d flipped", at))
	}
	refuse("5.6.11", protocol.CodeNotStaged, resealed(edit(0, 'Q')), "a block with another beginning")
	refuse("5.6.11", protocol.CodeNotStaged, resealed(edit(4, 2)), "a block of an unknown schema")
	for _, state := range []byte{0, 3, 4, 255} {
		refuse("5.6.11", protocol.CodeNotStaged, resealed(edit(n-8, state)), fmt.Sprintf("a block in state %d", state))
	}
	refuse("5.6.11", protocol.CodeNotStaged, protocol.VoidBlock(nil), "the void form")
	refuse("5.6.11", protocol.CodeNotStaged, resealed(edit(8, byte(n+4))), "a block that says another length")
	// Three bins more are more than the fill behind an odd number can hide.
	refuse("5.6.11", protocol.CodeNotStaged, resealed(edit(18, next[18]+3)), "a block of fewer bytes than its bins need")
	refuse("5.6.11", protocol.CodeNotStaged, resealed(edit(12, next[12]+1)), "a block of fewer bytes than its grid needs")
	foreign := r.constants(4)
	foreign.Rows, foreign.Cols = 1, 1
	if r.id.Zones() == 1 {
		foreign.Cols = 2
	}
	foreign.Bins, foreign.LeakageBins = 0, nil
	foreign.Leakage, foreign.Offsets = make([]int32, foreign.Rows*foreign.Cols), []int32{5}
	if data, err := foreign.Marshal(); err == nil {
		refuse("5.6.4", protocol.CodeWrongUnit, data, "a block for another grid")
	}
	foreign = r.constants(4)
	foreign.Serial = r.serial() + "X"
	if len(foreign.Serial) > 32 {
		foreign.Serial = "X" + r.serial()[1:]
	}
	if data, err := foreign.Marshal(); err == nil && r.id.Serial != "" {
		refuse("5.6.4", protocol.CodeWrongUnit, data, "a block for another serial")
	} else if err == nil && r.writeBlock("5.6.4", data) {
		r.inForce("5.6.4", data, "in a unit that holds no serial")
		r.writeBlock("5.6.4", good)
	}
	// What is in force may be committed for ever.
	for range 2 {
		code, ok = r.commit(good)
		r.want("5.6.5", !ok || code == protocol.CodeOK, "commit of the block in force: code %d", code)
		r.session = r.newSession()
		r.ask(&protocol.WhoAreYou{})
	}
	r.inForce("5.6.5", good, "after a commit of the block in force")
	r.timeCommit(next)
}

// timeCommit looks at how a commit is put off.
func (r *run) timeCommit(next []byte) {
	if !r.stage(next) {
		return
	}
	body := &protocol.Commit{Length: len(next), CRC: lastFour(next)}
	id := r.newID()
	payload := r.payloadOf(id, body)
	began := time.Now()
	for try := 0; ; try++ {
		h, ok := r.one(id, body.Op(), payload)
		if !ok {
			return
		}
		took := time.Since(began)
		if h.Code != protocol.CodeBusy {
			r.want("5.6.4", h.Code == protocol.CodeOK, "a good block is refused with code %d", h.Code)
			most := time.Duration(r.id.CommitMS)*time.Millisecond + firstByte + 2*r.opt.Grace
			r.want("4.5.3", try == 0 || took <= most+time.Duration(h.BusyMS)*time.Millisecond, "a commit took %d ms, %d are announced", took.Milliseconds(), r.id.CommitMS)
			break
		}
		if took > 15*time.Second {
			r.fail("4.5.4", "a commit is put off for %.0f s", took.Seconds())
			return
		}
		r.pause(time.Duration(h.BusyMS) * time.Millisecond)
	}
	r.inForce("4.5.3", next, "after a commit that was asked for again")
}

// checkBusy looks at requests that come while a commit is under way.
func checkBusy(r *run) {
	block := r.block(protocol.Written, 5)
	if !r.stage(block) {
		return
	}
	// Another request is on its way when the unit says busy.
	id := r.newID()
	r.sendAs(id, protocol.OpCommit, r.payloadOf(id, &protocol.Commit{Length: len(block), CRC: lastFour(block)}))
	if r.id.MaxHeld > 1 {
		r.send(&protocol.AskStatus{})
		r.open[1].may = true
	}
	got := r.answers()
	if !r.want("4.5.2", len(got) > 0 && got[0].ID == id, "commit is not answered when another request is on its way") {
		return
	}
	h := got[0]
	for _, late := range got[1:] {
		r.want("4.5.2", late.Code == protocol.CodeOK || late.Code == protocol.CodeBusy, "a status request behind a commit is answered with code %d", late.Code)
	}
	if h.Code != protocol.CodeBusy {
		r.tried("4.4.4") // never busy, so nothing comes before anything
		return
	}
	// It may be deaf now, busy with everything, or with the commit alone.
	for op, code := range map[protocol.Op]protocol.Code{99: protocol.CodeUnknownRequest, protocol.OpFetch: protocol.CodeBadArgument} {
		id := r.newID()
		r.sendAs(id, op, envelope(id, r.session, op, pairs{}))
		r.open[0].may = true
		for _, late := range r.answers() {
			r.want("4.4.4", late.Code == protocol.CodeBusy || late.Code == code, "%v while the unit is busy: code %d, neither 1 nor %d", op, late.Code, code)
		}
	}
	r.transmit(packetOf(envelope(r.newID(), r.session, protocol.OpStop, pairs{})))
	r.expect(r.lastID, protocol.OpStop)
	r.open[0].may = true
	for _, h := range r.answers() {
		r.want("4.4.5", h.Code == protocol.CodeOK, "stop while the unit is busy: code %d", h.Code)
	}
	r.pause(time.Duration(h.BusyMS) * time.Millisecond)
	code, ok := r.commit(block)
	r.want("4.5.3", ok && code == protocol.CodeOK, "after a commit put off: code %d", code)
	r.inForce("4.5.3", block, "after a commit during which stop came")
}

// checkBlock reads the block in all kinds of parts.
func checkBlock(r *run) {
	block := r.block(protocol.Released, 6)
	if !r.writeBlock("5.6.4", block) || !r.inForce("6.1", block, "after a commit") {
		return
	}
	n := len(block)
	for _, at := range []int{0, 1, n / 3, n - 1, n, n + 1, n + 5000, protocol.MaxBlock - 1} {
		for _, count := range []int{1, 16, n, protocol.MaxPayload} {
			h, ok := r.ask(&protocol.ReadConstants{Offset: at, Count: count})
			if !ok {
				return
			}
			c, good := h.Body.(*protocol.ConstantsPart)
			if !r.want("5.6.1", good, "%d bytes at %d of %d: code %d", count, at, n, h.Code) {
				return
			}
			there := block[min(at, n):]
			r.want("5.6.1", c.Length == n && c.Offset == at && len(c.Data) <= count && bytes.HasPrefix(there, c.Data) && (len(c.Data) > 0) == (at < n),
				"%d bytes at %d of %d: %d bytes at %d of %d, or other ones", count, at, n, len(c.Data), c.Offset, c.Length)
		}
	}
	// The same block in the other state is a block like any other.
	written := resealed(append(slices.Clone(block[:n-8]), 1, 0, 0, 0, 0, 0, 0, 0))
	_ = r.writeBlock("6.3", written) && r.inForce("6.3", written, "after the state changed to written") &&
		r.writeBlock("6.3", block) && r.inForce("6.3", block, "after the state changed to released")
	// The smallest, which every unit has to hold: no bins, one offset for all.
	b := r.constants(7)
	b.Bins, b.FirstBin, b.LeakageBins, b.BinScale, b.Offsets = 0, 0, nil, 0, []int32{-77}
	if data, err := b.Marshal(); err == nil {
		if r.want("5.6.3", r.writeBlock("5.6.4", data), "a block without bins is not taken") {
			r.inForce("6.1", data, "after a commit of a shorter block")
		}
	}
}

// checkFirstVoid: a unit that never held a block bears a witness too. It is the
// first of all checks, because any other may write.
func checkFirstVoid(r *run) {
	if got, ok := r.readConstants(); !ok || len(got) > 0 {
		return // what it does then, the check of void says
	}
	witness := r.constants(24).Witness.Bytes()
	r.code("5.6.7", protocol.CodeOK, &protocol.Void{Witness: witness})
	r.inForce("5.6.7", protocol.VoidBlock(witness), "after the first void of its life")
}

func checkVoid(r *run) {
	if !r.writeBlock("5.6.4", r.block(protocol.Written, 8)) {
		return
	}
	one, two := r.constants(8).Witness.Bytes(), r.constants(9).Witness.Bytes()
	for _, witness := range [][]byte{one, one, two, nil, nil, one} {
		r.code("5.6.7", protocol.CodeOK, &protocol.Void{Witness: witness})
		got, ok := r.readConstants()
		want := protocol.VoidBlock(witness)
		r.want("5.6.7", ok && bytes.Equal(got, want), "after void the block in force is % X, not % X", got, want)
		r.want("6.4", !ok || len(got) == len(want) || len(got) > len(protocol.VoidBlock(one)), "the void form is % X, not % X", got, want)
	}
	for what, bad := range map[string]any{"59 bytes": one[:59], "61 bytes": append(one[:60:60], 0), "a number": 1, "no bytes": []byte{}} {
		id := r.newID()
		if h, ok := r.insist(id, protocol.OpVoid, envelope(id, r.session, protocol.OpVoid, pairs{{1, bad}})); ok {
			r.want("4.4.3", h.Code == protocol.CodeBadArgument, "void with %s for a witness is answered with code %d", what, h.Code)
		}
	}
	r.inForce("4.4.1", protocol.VoidBlock(one), "after voids that were refused")
	r.code("5.6.7", protocol.CodeOK, &protocol.Void{})
	got, ok := r.readConstants()
	r.want("6.4", ok && fmt.Sprintf("%X", got) == "504E4C4301000000140000000300000081E9FEE5", "the void form is % X", got)
	block := r.block(protocol.Written, 9)
	_ = r.writeBlock("5.6.7", block) && r.inForce("5.6.7", block, "written after void")
}

func checkConstantsWhileCapturing(r *run) {
	before := r.block(protocol.Written, 10)
	if !r.writeBlock("5.6.4", before) {
		return
	}
	// A capture held is not changed by a commit.
	frames, ok := r.held(r.main(), 30)
	if !ok {
		return
	}
	columns := r.columns(r.mainTable(), frames)
	counts, ranges, ok := r.table(r.capture, r.mainTable(), columns)
	next := r.block(protocol.Written, 11)
	if !ok || !r.writeBlock("5.6.4", next) {
		return
	}
	again, rangesAgain, ok := r.table(r.capture, r.mainTable(), columns)
	r.want("5.6.8", ok && slices.Equal(counts, again) && slices.Equal(ranges, rangesAgain), "a commit changed the capture that is held")
	// While one runs, constants are served or refused with code 5.
	p, ok := r.start(r.main(), r.forEver(), 1)
	if !ok {
		return
	}
	inForce := next
	for _, body := range []protocol.RequestBody{
		&protocol.Stage{Length: len(before), Data: before[:part]}, &protocol.Commit{Length: len(before), CRC: lastFour(before)}, &protocol.Void{},
	} {
		h, ok := r.ask(body)
		if !ok {
			return
		}
		fits := h.Code == protocol.CodeOK || h.Code == protocol.CodeCapturing
		if c, isCommit := body.(*protocol.Commit); isCommit && c.CRC != lastFour(inForce) {
			fits = h.Code == protocol.CodeNotStaged || h.Code == protocol.CodeCapturing
		} else if _, isVoid := body.(*protocol.Void); isVoid && h.Code == protocol.CodeOK {
			inForce = protocol.VoidBlock(nil)
		}
		r.want("5.6.8", fits, "%v while a capture runs: code %d", body.Op(), h.Code)
	}
	r.inForce("5.6.8", inForce, "after requests during a capture")
	if now, ok := r.progress(p.Capture); ok {
		r.want("5.6.8", now.End == protocol.Running, "requests for constants ended the capture (%v)", now.End)
	}
	r.stop()
}
