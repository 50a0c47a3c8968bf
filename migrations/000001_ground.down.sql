DROP TABLE audit, once, invitation, refresh_token, session, competence, person, shop, shop_directory;
