DROP TRIGGER mark_history ON visit;
DROP TRIGGER mark_history ON unit;
DROP TRIGGER mark_history ON part_fitted;
DROP TRIGGER mark_history ON conclusion;
DROP TRIGGER mark_history ON call;
DROP FUNCTION mark_history();
REVOKE SELECT ON conclusion, part_fitted FROM drumline_worker;
DROP VIEW history_expiring, history_drive, history_minutes, history_proof, history_hazard, history_unit, history_conclusion, history_call;
DROP TABLE history_answer, history_state, repair_row, call_row, history_stale, come_back;
