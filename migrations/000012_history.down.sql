DROP TRIGGER history_mark ON shop;
DROP TRIGGER history_mark ON visit;
DROP TRIGGER history_mark ON conclusion;
DROP TRIGGER history_mark ON unit;
DROP TRIGGER history_mark ON call;
DROP FUNCTION history_mark_unit;
DROP VIEW history_expiry, history_visit, history_fault, history_call, history_person, history_shop;
DROP TABLE history_answer, history_job, history_repair, history_mark, history_state, come_back;
