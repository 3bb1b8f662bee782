-- The plant's history: what every station's log says, in one place.
--
-- Nothing here is ever updated or deleted but by dropping whole partitions. Every
-- row begins with the station: where an engine spreads rows over several nodes, the
-- station is the key to spread them by.

-- Who may write as which station: row security reads it.
create table panecal.stations (
    station text primary key check (station <> ''),
    role name not null unique
);

-- A batch is a run of records of one log, inserted together with them. It is
-- position, head, uniqueness and fork check at once: one batch alone may follow
-- another, and it begins where that one ended. The log is the identity that its
-- segments carry. follows is null for the first batch of a generation.
create table panecal.batches (
    station text not null,
    log bytea not null check (octet_length(log) = 32),
    generation integer not null check (generation >= 1),
    first_sequence bigint not null check (first_sequence >= 1),
    last_sequence bigint not null,
    follows bigint,
    hash_before bytea not null check (octet_length(hash_before) = 32),
    hash_after bytea not null check (octet_length(hash_after) = 32),
    records integer not null,
    attempts integer not null,
    software text not null,
    arrived timestamptz not null default now(),
    primary key (station, log, generation, first_sequence),
    unique (station, log, generation, last_sequence, hash_after),
    foreign key (station, log, generation, follows, hash_before)
        references panecal.batches (station, log, generation, last_sequence, hash_after),
    check (records = last_sequence - first_sequence + 1 and records > 0),
    check (attempts between 0 and records),
    check (follows = first_sequence - 1),
    check (follows is not null or generation > 1 or first_sequence = 1)
);
create unique index batches_begin on panecal.batches (station, log, generation) where follows is null;

-- The records themselves: data is zstd (RFC 8878) of the record's own bytes, and hash
-- is the SHA-256 of those bytes, unpacked. Time is when the station appended it, in
-- microseconds; the record has it to the nanosecond. serial, unit_id, lots and
-- work_order are what it is filed under.
create table panecal.records (
    station text not null,
    log bytea not null,
    generation integer not null,
    sequence bigint not null,
    hash bytea not null check (octet_length(hash) = 32),
    kind smallint not null,
    time timestamptz not null,
    arrived timestamptz not null default now(),
    serial text not null,
    unit_id text not null,
    lots text[] not null,
    work_order text not null,
    data bytea not null
) partition by range (arrived);
alter table panecal.records alter column data set storage external;
create index records_place on panecal.records (station, sequence);
create index records_serial on panecal.records (serial) where serial <> '';
create index records_unit on panecal.records (unit_id) where unit_id <> '';
create index records_time on panecal.records (station, time);
create table panecal.records_default partition of panecal.records default;

-- The attempts, a row each, with the columns of the exported table under their
-- names there; what is not known or not finite is null. packed is the same row and
-- more of it for panecal's own commands, without the person. released is not here:
-- a later record may take it back, see dispositions.
create table panecal.attempts (
    station text not null,
    log bytea not null,
    generation integer not null,
    sequence bigint not null,
    hash bytea not null,
    arrived timestamptz not null default now(),
    unit_id text not null,
    lot text not null,
    soft_bin_name text not null,
    packed bytea not null,
    "serial" text not null,
    "attempt" bigint not null,
    "time" timestamptz not null,
    "outcome" text not null,
    "soft_bin" bigint not null,
    "hard_bin" bigint not null,
    "disposition" text not null,
    "purpose" text not null,
    "product" text not null,
    "limits" text not null,
    "nest" text not null,
    "operator" text not null,
    "order" text not null,
    "window_lot" text not null,
    "gasket_lot" text not null,
    "emitter_lot" text not null,
    "leakage.max" double precision,
    "leakage.max_u" double precision,
    "leakage.max_high0" double precision,
    "leakage.max_high1" double precision,
    "leakage.max_high2" double precision,
    "leakage.max_high3" double precision,
    "leakage.max_low0" double precision,
    "leakage.max_low1" double precision,
    "leakage.max_low2" double precision,
    "leakage.max_low3" double precision,
    "leakage.total" double precision,
    "leakage.total_u" double precision,
    "leakage.x_balance" double precision,
    "leakage.x_balance_u" double precision,
    "leakage.y_balance" double precision,
    "leakage.y_balance_u" double precision,
    "leakage.late" double precision,
    "leakage.late_u" double precision,
    "leakage.distance" double precision,
    "leakage.distance_u" double precision,
    "leakage.change" double precision,
    "leakage.change_u" double precision,
    "pulse.width" double precision,
    "pulse.width_u" double precision,
    "pulse.misfit" double precision,
    "pulse.misfit_u" double precision,
    "ambient.max" double precision,
    "ambient.max_u" double precision,
    "ambient.max_high0" double precision,
    "ambient.max_high1" double precision,
    "ambient.max_high2" double precision,
    "ambient.max_high3" double precision,
    "ambient.max_low0" double precision,
    "ambient.max_low1" double precision,
    "ambient.max_low2" double precision,
    "ambient.max_low3" double precision,
    "stray.significance" double precision,
    "stray.significance_u" double precision,
    "rate.max" double precision,
    "rate.max_u" double precision,
    "rate.max_high0" double precision,
    "rate.max_high1" double precision,
    "rate.max_high2" double precision,
    "rate.max_high3" double precision,
    "rate.max_low0" double precision,
    "rate.max_low1" double precision,
    "rate.max_low2" double precision,
    "rate.max_low3" double precision,
    "offset.mean" double precision,
    "offset.mean_u" double precision,
    "offset.spread" double precision,
    "offset.spread_u" double precision,
    "offset.uncertainty" double precision,
    "offset.uncertainty_u" double precision,
    "signal.ratio" double precision,
    "signal.ratio_u" double precision,
    "seat.tilt" double precision,
    "seat.tilt_u" double precision,
    "estimator.difference" double precision,
    "estimator.difference_u" double precision,
    "verify.error" double precision,
    "verify.error_u" double precision,
    "verify.error_high0" double precision,
    "verify.error_high1" double precision,
    "verify.error_high2" double precision,
    "verify.error_high3" double precision,
    "verify.error_low0" double precision,
    "verify.error_low1" double precision,
    "verify.error_low2" double precision,
    "verify.error_low3" double precision,
    "verify.error_far" double precision,
    "verify.error_far_u" double precision,
    "verify.error_far_high0" double precision,
    "verify.error_far_high1" double precision,
    "verify.error_far_high2" double precision,
    "verify.error_far_high3" double precision,
    "verify.error_far_low0" double precision,
    "verify.error_far_low1" double precision,
    "verify.error_far_low2" double precision,
    "verify.error_far_low3" double precision,
    "range.error_projected" double precision,
    "range.error_projected_u" double precision,
    "temperature" double precision,
    "temperature_u" double precision,
    "zones.dead" double precision,
    "zones.dead_u" double precision,
    "zones.hot" double precision,
    "zones.hot_u" double precision,
    "signal.min" double precision,
    "signal.min_u" double precision,
    "signal.min_high0" double precision,
    "signal.min_high1" double precision,
    "signal.min_high2" double precision,
    "signal.min_high3" double precision,
    "signal.min_low0" double precision,
    "signal.min_low1" double precision,
    "signal.min_low2" double precision,
    "signal.min_low3" double precision,
    "target.misfit" double precision,
    "target.misfit_u" double precision,
    "zones.misfit" double precision,
    "zones.misfit_u" double precision,
    "zones.no_signal" double precision,
    "zones.no_signal_u" double precision
) partition by range (arrived);
alter table panecal.attempts alter column packed set storage external;
create index attempts_place on panecal.attempts (station, sequence);
create index attempts_serial on panecal.attempts (serial);
create index attempts_time on panecal.attempts (station, "time");
create table panecal.attempts_default partition of panecal.attempts default;

-- What moved a unit: each attempt that came to a disposition, and each change.
-- It is not partitioned: what is on hold, and how often a unit was tried, is known
-- when the months are gone in which that was.
create table panecal.dispositions (
    station text not null,
    log bytea not null,
    generation integer not null,
    sequence bigint not null,
    kind smallint not null,
    time timestamptz not null,
    arrived timestamptz not null default now(),
    serial text not null,
    unit_id text not null,
    purpose text not null,
    attempt integer not null,
    disposition text not null,
    firm boolean not null,
    of_attempt bigint not null,
    primary key (station, log, generation, sequence)
);
create index dispositions_serial on panecal.dispositions (serial);

-- Why a log was not taken. Hashes are those of the record where log and history part.
create table panecal.incidents (
    station text not null,
    log bytea not null,
    time timestamptz not null default now(),
    role name not null default current_user,
    code text not null,
    generation integer not null,
    first_sequence bigint not null,
    last_sequence bigint not null,
    hash_here bytea,
    hash_there bytea,
    what text not null
);
create index incidents_station on panecal.incidents (station, time);
