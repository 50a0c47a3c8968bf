DROP TABLE cleaning;
