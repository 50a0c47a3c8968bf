DROP TABLE visit_change, shop_feed, visit, call_answer, call;
