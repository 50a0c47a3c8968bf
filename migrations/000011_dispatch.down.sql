DROP TABLE calendar, hold, time_off, working_span, working_week, dispatch_rule, visit_minutes, visit_version;
ALTER TABLE visit DROP CONSTRAINT visit_no_double_booking;
ALTER TABLE visit ADD CONSTRAINT visit_no_double_booking
    EXCLUDE USING gist (shop_id WITH =, tech_id WITH =, tstzrange(starts_at, ends_at, '[)') WITH &&)
    WHERE (status IN ('booked', 'on_the_way', 'on_site', 'done'));
ALTER TABLE call DROP COLUMN status_since, DROP COLUMN parts_arrived_at;
ALTER TABLE visit DROP COLUMN arrive_from, DROP COLUMN arrive_until, DROP COLUMN override, DROP COLUMN return_visit;
