-- What is seldom, such as stops, releases and sign-ons, is found by its kind; the
-- three kinds that every attempt writes are not filed so.
create index records_event on panecal.records (station, kind, sequence) where kind > 3;
