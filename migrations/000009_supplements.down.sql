DROP TABLE supplement_version;
DROP TABLE supplement;
ALTER TABLE call DROP COLUMN edition;
ALTER TABLE shop DROP COLUMN edition;
