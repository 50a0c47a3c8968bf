DROP TABLE closing_statement, hazard, conclusion_reading, part_fitted, conclusion, action, verdict, reading_value, reading, isolation;
