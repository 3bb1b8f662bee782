//go:build unix

package postgres

import (
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"strconv"
	"syscall"
)

// account is who the server runs as where the test is root: PostgreSQL refuses root.
func account() (*syscall.Credential, error) {
	if os.Geteuid() != 0 {
		return nil, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err1 := strconv.ParseUint(u.Uid, 10, 32)
		gid, err2 := strconv.ParseUint(u.Gid, 10, 32)
		if err1 == nil && err2 == nil {
			return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}, nil
		}
	}
	return nil, fmt.Errorf("no account to run a server as: neither postgres nor nobody")
}

func (s *Server) own(folder string) error {
	who, err := account()
	if err != nil || who == nil {
		return err
	}
	return os.Chown(folder, int(who.Uid), int(who.Gid))
}

func (s *Server) as(c *exec.Cmd) {
	if who, err := account(); err == nil && who != nil {
		c.SysProcAttr = &syscall.SysProcAttr{Credential: who}
	}
}

// Kill ends the server's first process as a power cut would end it, and starts it again
// as soon as its other processes have noticed.
func (s *Server) Kill() error {
	pid, err := s.Pid()
	if err != nil {
		return err
	}
	if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
		return err
	}
	for range 100 {
		if err = s.StartAgain(); err == nil {
			return nil
		}
	}
	return err
}
