DROP TABLE prior_strength;
