// Package plantwide is the commands about many stations at once: the history that all
// of them share, and how each of them stands.
package plantwide
