ALTER TABLE verdict DROP COLUMN decision_accept, DROP COLUMN decision_reject;
ALTER TABLE shop DROP COLUMN decision_accept, DROP COLUMN decision_reject;
