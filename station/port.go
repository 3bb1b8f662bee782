package station

func (m *Machine) enterOpening(n *nest) {
	m.enter(n, Opening)
	m.ask(n, Open{})
}

// opened: the port is there. A label that waits for this nest still does.
func (m *Machine) opened(n *nest, _ Fact) {
	if n.trouble != nil && n.trouble.Code == StopPort {
		n.trouble = nil
	}
	if n.label != "" {
		m.enterExpected(n)
		return
	}
	m.enterVacant(n)
}

// notOpened keeps trying: a cable that is plugged in again needs nobody.
func (m *Machine) notOpened(n *nest, f Failure) {
	if n.trouble == nil || n.trouble.Code != StopPort || n.trouble.Args.Detail != Verbatim(f.Why) {
		m.trouble(n, StopPort, Args{Detail: Verbatim(f.Why)})
	}
	m.sleep(n, reopenEvery)
}

func (m *Machine) reopen(n *nest) { m.ask(n, Open{}) }

// lostPort: the port itself failed, which an adapter pulled out does.
func (m *Machine) lostPort(n *nest, f Failure) {
	m.rest(n)
	m.trouble(n, StopPort, Args{Detail: Verbatim(f.Why)})
	m.enter(n, Opening)
	m.sleep(n, reopenEvery)
}
