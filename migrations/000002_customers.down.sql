DROP TABLE instrument_accuracy, instrument, data_sheet_value, data_sheet, unit, site, customer;
