REVOKE SELECT ON shop, customer, site, unit, cleaning, call, visit, visit_change, shop_feed FROM drumline_worker;
REVOKE INSERT ON audit FROM drumline_worker;
ALTER TABLE calendar DROP COLUMN shows;
DROP TABLE care_wish, suppression, reminder, mail, care_due, care_stale, care_agenda, care_policy, care_task;
DROP INDEX site_area;
DROP POLICY scan ON shop_feed;
-- Calls about care, and cleanings told by link or with scopes of a shop's own,
-- have no place in the tables as they were.
UPDATE call SET outcome = 'no_fault_found' WHERE outcome = 'care_done';
ALTER TABLE call DROP CONSTRAINT call_outcome_check;
ALTER TABLE call ADD CONSTRAINT call_outcome_check CHECK (outcome IN ('returned_to_service', 'left_out_of_service', 'limited', 'declined',
    'not_worth_repairing', 'no_fault_found', 'no_access', 'cancelled'));
DELETE FROM cleaning WHERE recorded_by IS NULL OR NOT scopes <@ ARRAY['screen', 'blower', 'cabinet', 'transition_duct', 'run', 'hood'];
ALTER TABLE cleaning DROP CONSTRAINT cleaning_scopes_check;
ALTER TABLE cleaning ADD CONSTRAINT cleaning_scopes_check
    CHECK (cardinality(scopes) > 0 AND scopes <@ ARRAY['screen', 'blower', 'cabinet', 'transition_duct', 'run', 'hood']);
ALTER TABLE cleaning ALTER COLUMN recorded_by SET NOT NULL;
