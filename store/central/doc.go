// Package central keeps the records of many stations in one history on PostgreSQL,
// or on another engine that speaks its protocol: it makes the schema, carries a
// station's log there, and reads it back.
//
// It is no part of a station: a station's log is whole without it, and a forwarder
// reads that log as every reader does, in a process of its own. It draws no
// conclusions; package query and the commands do, from rows and records that are the
// same here as in the log.
//
// The schema stands in plain files under schema/, one transaction each, in the order
// of their numbers; [Init] carries out those that are missing. All tables are in the
// schema panecal. [Maintain] makes the partitions of the months to come. A [Target] is
// where the history is; it refuses what would show a password or a record to others.
//
// A [Forwarder] carries a log in batches. A batch is one transaction: its records, its
// attempts, what moved a unit, and the row in batches that says which record it follows
// and with which hash it ends. The engine lets one batch alone follow another, so that
// position, head, uniqueness and the check for forks are that one row. Nothing else is
// kept of how far a log was carried: a history that was put back from an older backup
// says so by itself. A log that does not follow from what is here is refused with an
// [Incident], on record in the history.
//
// No session outlives a transaction, so that a pool of connections serves. Extensions,
// advisory locks, notifications and triggers of our own are not used.
//
// Times are UTC. A Forwarder and a Reader are for one goroutine each; the caller closes
// what it opens. Errors say what was being done.
package central
