package central

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"
)

// ErrUnsafe is wrapped by every error about a URL that would show a password, or
// records, to others.
var ErrUnsafe = errors.New("not safe")

// ErrNoURL is wrapped by every error about a text that is no URL of a history.
var ErrNoURL = errors.New("no URL of a history")

// Target is where a history is, and how it is reached.
type Target struct {
	config *pgx.ConnConfig
	shown  string
}

// IsURL says whether a text is meant as the URL of a history, not as a folder.
func IsURL(text string) bool {
	scheme, _, ok := strings.Cut(text, "://")
	return ok && (strings.EqualFold(scheme, "postgres") || strings.EqualFold(scheme, "postgresql"))
}

// Parse reads the URL of a history, such as postgres://s1@db.plant.example/panecal
// or postgres:///panecal?host=/run/postgresql. A password in it is refused
// (ErrUnsafe): it comes from the environment (PGPASSWORD) or a file (PGPASSFILE, the
// usual .pgpass). Anything but a socket or this computer itself is reached with TLS,
// the server's certificate and its name verified; sslrootcert names who signs for it,
// the system's authorities otherwise.
func Parse(text string) (*Target, error) {
	if !IsURL(text) {
		return nil, fmt.Errorf("%w: it begins with postgres://", ErrNoURL)
	}
	u, err := url.Parse(text)
	if err != nil {
		return nil, fmt.Errorf("%w: it cannot be read", ErrNoURL) // what is wrong may hold a password
	}
	q := u.Query()
	if _, has := u.User.Password(); has || q.Has("password") {
		return nil, fmt.Errorf("%w: the URL holds a password, which every user of this computer may see: put it into the file that PGPASSFILE names, or into PGPASSWORD", ErrUnsafe)
	}
	mode := q.Get("sslmode")
	local := isLocal(u, q)
	switch {
	case !local && mode != "" && mode != "verify-full":
		return nil, fmt.Errorf("%w: sslmode=%s: another computer is reached with its certificate and name verified, sslmode=verify-full, or not at all", ErrUnsafe, mode)
	case !local:
		q.Set("sslmode", "verify-full")
	case mode == "":
		q.Set("sslmode", "disable") // it does not leave this computer
	case mode == "allow" || mode == "prefer":
		return nil, fmt.Errorf("%w: sslmode=%s would fall back to plain in silence: say disable or verify-full", ErrUnsafe, mode)
	}
	u.RawQuery = q.Encode()
	config, err := pgx.ParseConfig(u.String())
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNoURL, err)
	}
	// The environment may name another host.
	if err := proven(config.Host, config.TLSConfig); err != nil {
		return nil, err
	}
	for _, f := range config.Fallbacks {
		if err := proven(f.Host, f.TLSConfig); err != nil {
			return nil, err
		}
	}
	// Nothing is prepared beyond its transaction: the next one may be another session.
	config.DefaultQueryExecMode = pgx.QueryExecModeDescribeExec
	config.StatementCacheCapacity, config.DescriptionCacheCapacity = 0, 0
	if config.RuntimeParams == nil {
		config.RuntimeParams = map[string]string{}
	}
	return &Target{config: config, shown: u.Redacted()}, nil
}

// proven refuses another computer that would be reached without its certificate
// being verified.
func proven(host string, c *tls.Config) error {
	if thisComputer(host) || c != nil && !c.InsecureSkipVerify {
		return nil
	}
	return fmt.Errorf("%w: %s would be reached without a verified certificate", ErrUnsafe, host)
}

// isLocal says whether all hosts that a URL names are this computer.
func isLocal(u *url.URL, q url.Values) bool {
	hosts := q["host"]
	if len(hosts) == 0 {
		hosts = strings.Split(u.Host, ",")
		for i, h := range hosts {
			if host, _, err := net.SplitHostPort(h); err == nil {
				hosts[i] = host
			}
		}
	} else {
		hosts = strings.Split(strings.Join(hosts, ","), ",")
	}
	return !slices.ContainsFunc(hosts, func(h string) bool { return !thisComputer(strings.Trim(h, "[]")) })
}

// thisComputer says so of a host: a folder of sockets, or loopback.
func thisComputer(host string) bool {
	if host == "" || strings.HasPrefix(host, "/") || strings.HasPrefix(host, "@") || host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// String returns the URL without anything secret.
func (t *Target) String() string { return t.shown }

func (t *Target) connect(ctx context.Context) (*pgx.Conn, error) {
	c, err := pgx.ConnectConfig(ctx, t.config.Copy())
	if err != nil {
		return nil, fmt.Errorf("reaching the history: %w", err)
	}
	return c, nil
}
