DROP TABLE safety_notice_handling, safety_notice;
