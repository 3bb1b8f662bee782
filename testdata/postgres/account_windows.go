package postgres

import "os/exec"

func (s *Server) own(string) error { return nil }

func (s *Server) as(*exec.Cmd) {}
