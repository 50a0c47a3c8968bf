DROP VIEW history_ended_case;
DROP TABLE fault_count;
DROP TABLE ended_case;
