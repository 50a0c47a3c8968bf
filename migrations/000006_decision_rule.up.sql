-- How sure the shop wants a verdict to be (JCGM 106): conforms from
-- decision_accept upwards, does not conform down from decision_reject, between
-- them inconclusive. Each verdict keeps the rule it was judged by; those stored
-- before were judged by the default.
ALTER TABLE shop
    ADD COLUMN decision_accept double precision NOT NULL DEFAULT 0.95 CHECK (decision_accept > 0.5 AND decision_accept < 1),
    ADD COLUMN decision_reject double precision NOT NULL DEFAULT 0.05 CHECK (decision_reject > 0 AND decision_reject < 0.5);
ALTER TABLE verdict
    ADD COLUMN decision_accept double precision NOT NULL DEFAULT 0.95 CHECK (decision_accept > 0.5 AND decision_accept < 1),
    ADD COLUMN decision_reject double precision NOT NULL DEFAULT 0.05 CHECK (decision_reject > 0 AND decision_reject < 0.5);
