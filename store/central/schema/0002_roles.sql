-- Three roles, which logins are made members of. Each login of a station stands in
-- panecal.stations; `panecal central admit` does both.

do $$
begin
    create role panecal_station nologin;
exception when duplicate_object then null;
end $$;
do $$
begin
    create role panecal_reader nologin;
exception when duplicate_object then null;
end $$;
do $$
begin
    create role panecal_audit nologin;
exception when duplicate_object then null;
end $$;

grant usage on schema panecal to panecal_station, panecal_reader, panecal_audit;
grant select on panecal.versions to panecal_station, panecal_reader, panecal_audit;

-- A station adds its own rows and sees them. What stands is never changed.
grant select on panecal.stations to panecal_station;
grant select, insert on panecal.batches, panecal.records, panecal.attempts, panecal.dispositions, panecal.incidents to panecal_station;

alter table panecal.stations enable row level security;
alter table panecal.batches enable row level security;
alter table panecal.records enable row level security;
alter table panecal.attempts enable row level security;
alter table panecal.dispositions enable row level security;
alter table panecal.incidents enable row level security;

create policy own_name on panecal.stations for select to panecal_station using (role = current_user);
create policy own_rows on panecal.batches for select to panecal_station
    using (station in (select s.station from panecal.stations s where s.role = current_user));
create policy add_own on panecal.batches for insert to panecal_station
    with check (station in (select s.station from panecal.stations s where s.role = current_user));
create policy own_rows on panecal.records for select to panecal_station
    using (station in (select s.station from panecal.stations s where s.role = current_user));
create policy add_own on panecal.records for insert to panecal_station
    with check (station in (select s.station from panecal.stations s where s.role = current_user));
create policy own_rows on panecal.attempts for select to panecal_station
    using (station in (select s.station from panecal.stations s where s.role = current_user));
create policy add_own on panecal.attempts for insert to panecal_station
    with check (station in (select s.station from panecal.stations s where s.role = current_user));
create policy own_rows on panecal.dispositions for select to panecal_station
    using (station in (select s.station from panecal.stations s where s.role = current_user));
create policy add_own on panecal.dispositions for insert to panecal_station
    with check (station in (select s.station from panecal.stations s where s.role = current_user));
create policy own_rows on panecal.incidents for select to panecal_station
    using (station in (select s.station from panecal.stations s where s.role = current_user));
create policy add_own on panecal.incidents for insert to panecal_station
    with check (station in (select s.station from panecal.stations s where s.role = current_user));

-- Readers see everything but persons: neither the column operator, nor the records'
-- own bytes, which name who did what.
grant select on panecal.stations, panecal.batches, panecal.dispositions, panecal.incidents to panecal_reader;
grant select (station, log, generation, sequence, hash, kind, time, arrived, serial, unit_id, lots, work_order) on panecal.records to panecal_reader;
grant select (
    station, log, generation, sequence, hash, arrived, unit_id, lot, soft_bin_name, packed, "serial",
    "attempt", "time", "outcome", "soft_bin", "hard_bin", "disposition", "purpose", "product", "limits",
    "nest", "order", "window_lot", "gasket_lot", "emitter_lot", "leakage.max", "leakage.max_u",
    "leakage.max_high0", "leakage.max_high1", "leakage.max_high2", "leakage.max_high3", "leakage.max_low0",
    "leakage.max_low1", "leakage.max_low2", "leakage.max_low3", "leakage.total", "leakage.total_u",
    "leakage.x_balance", "leakage.x_balance_u", "leakage.y_balance", "leakage.y_balance_u", "leakage.late",
    "leakage.late_u", "leakage.distance", "leakage.distance_u", "leakage.change", "leakage.change_u",
    "pulse.width", "pulse.width_u", "pulse.misfit", "pulse.misfit_u", "ambient.max", "ambient.max_u",
    "ambient.max_high0", "ambient.max_high1", "ambient.max_high2", "ambient.max_high3", "ambient.max_low0",
    "ambient.max_low1", "ambient.max_low2", "ambient.max_low3", "stray.significance", "stray.significance_u",
    "rate.max", "rate.max_u", "rate.max_high0", "rate.max_high1", "rate.max_high2", "rate.max_high3",
    "rate.max_low0", "rate.max_low1", "rate.max_low2", "rate.max_low3", "offset.mean", "offset.mean_u",
    "offset.spread", "offset.spread_u", "offset.uncertainty", "offset.uncertainty_u", "signal.ratio",
    "signal.ratio_u", "seat.tilt", "seat.tilt_u", "estimator.difference", "estimator.difference_u",
    "verify.error", "verify.error_u", "verify.error_high0", "verify.error_high1", "verify.error_high2",
    "verify.error_high3", "verify.error_low0", "verify.error_low1", "verify.error_low2", "verify.error_low3",
    "verify.error_far", "verify.error_far_u", "verify.error_far_high0", "verify.error_far_high1",
    "verify.error_far_high2", "verify.error_far_high3", "verify.error_far_low0", "verify.error_far_low1",
    "verify.error_far_low2", "verify.error_far_low3", "range.error_projected", "range.error_projected_u",
    "temperature", "temperature_u", "zones.dead", "zones.dead_u", "zones.hot", "zones.hot_u", "signal.min",
    "signal.min_u", "signal.min_high0", "signal.min_high1", "signal.min_high2", "signal.min_high3",
    "signal.min_low0", "signal.min_low1", "signal.min_low2", "signal.min_low3", "target.misfit",
    "target.misfit_u", "zones.misfit", "zones.misfit_u", "zones.no_signal", "zones.no_signal_u"
) on panecal.attempts to panecal_reader;

-- An audit sees persons as well.
grant select on panecal.stations, panecal.batches, panecal.records, panecal.attempts, panecal.dispositions, panecal.incidents to panecal_audit;

create policy all_rows on panecal.stations for select to panecal_reader, panecal_audit using (true);
create policy all_rows on panecal.batches for select to panecal_reader, panecal_audit using (true);
create policy all_rows on panecal.records for select to panecal_reader, panecal_audit using (true);
create policy all_rows on panecal.attempts for select to panecal_reader, panecal_audit using (true);
create policy all_rows on panecal.dispositions for select to panecal_reader, panecal_audit using (true);
create policy all_rows on panecal.incidents for select to panecal_reader, panecal_audit using (true);
