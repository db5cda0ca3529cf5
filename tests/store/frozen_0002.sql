-- A store of version 0002 as the program of that version made it, with a row in each of its tables. Never edit:
-- it stands for files in the field.
BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0002');
CREATE TABLE alerts (
	id INTEGER NOT NULL, 
	site TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	subject TEXT NOT NULL, 
	text TEXT NOT NULL, 
	advice TEXT NOT NULL, 
	urgent BOOLEAN NOT NULL, 
	raised_at DATETIME NOT NULL, 
	cleared_at DATETIME, 
	CONSTRAINT pk_alerts PRIMARY KEY (id)
);
INSERT INTO "alerts" VALUES(1,'plot','node_silent','valves','The node has been silent.','Look at its power supply.',1,'2026-06-03 05:00:00.000000',NULL);
CREATE TABLE answers (
	request_id INTEGER NOT NULL, 
	at DATETIME NOT NULL, 
	done BOOLEAN NOT NULL, 
	text TEXT NOT NULL, 
	CONSTRAINT pk_answers PRIMARY KEY (request_id), 
	CONSTRAINT fk_answers_request_id_requests FOREIGN KEY(request_id) REFERENCES requests (id) ON DELETE CASCADE
);
INSERT INTO "answers" VALUES(1,'2026-06-02 10:00:01.000000',1,'Stopped.');
CREATE TABLE booked_litres (
	booking_id INTEGER NOT NULL, 
	plant TEXT NOT NULL, 
	given_l FLOAT NOT NULL, 
	CONSTRAINT pk_booked_litres PRIMARY KEY (booking_id, plant), 
	CONSTRAINT fk_booked_litres_booking_id_bookings FOREIGN KEY(booking_id) REFERENCES bookings (id) ON DELETE CASCADE
);
INSERT INTO "booked_litres" VALUES(1,'fig',6.5);
INSERT INTO "booked_litres" VALUES(2,'fig',6.5);
CREATE TABLE bookings (
	id INTEGER NOT NULL, 
	site TEXT NOT NULL, 
	order_id TEXT NOT NULL, 
	zone TEXT NOT NULL, 
	day DATE NOT NULL, 
	at DATETIME NOT NULL, 
	open_s FLOAT NOT NULL, 
	outcome JSON, 
	volume_l FLOAT NOT NULL, 
	volume_low_l FLOAT NOT NULL, 
	volume_high_l FLOAT NOT NULL, 
	note TEXT DEFAULT '' NOT NULL, 
	CONSTRAINT pk_bookings PRIMARY KEY (id), 
	CONSTRAINT uq_bookings_order UNIQUE (site, order_id)
);
INSERT INTO "bookings" VALUES(1,'plot','order-1','beds','2026-06-01','2026-06-01 04:41:00.000000',600.0,'{"order_id": "order-1", "channel": 0, "open_ms": 600000, "open_ms_max": 600000, "why": "time_up"}',6.5,6.0,7.0,'');
INSERT INTO "bookings" VALUES(2,'plot','order-2','beds','2026-06-02','2026-06-02 04:41:00.000000',600.0,'{"order_id": "order-2", "channel": 0, "open_ms": 600000, "open_ms_max": 600000, "why": "time_up"}',6.5,6.0,7.0,'the node restarted');
CREATE TABLE calibrations (
	id INTEGER NOT NULL, 
	site TEXT NOT NULL, 
	at DATETIME NOT NULL, 
	offset_m FLOAT NOT NULL, 
	level_m FLOAT NOT NULL, 
	who TEXT NOT NULL, 
	CONSTRAINT pk_calibrations PRIMARY KEY (id)
);
INSERT INTO "calibrations" VALUES(1,'plot','2026-06-02 09:00:00.000000',-0.02,0.88,'Ines');
CREATE TABLE days (
	site TEXT NOT NULL, 
	day DATE NOT NULL, 
	weather TEXT NOT NULL, 
	CONSTRAINT pk_days PRIMARY KEY (site, day)
);
INSERT INTO "days" VALUES('plot','2026-06-01','{"day": "2026-06-01", "tmin_c": 11.0, "tmax_c": 24.0, "rain_mm": 0.0}');
CREATE TABLE intents (
	id INTEGER NOT NULL, 
	site TEXT NOT NULL, 
	order_id TEXT NOT NULL, 
	made_at DATETIME NOT NULL, 
	zone TEXT NOT NULL, 
	"order" JSON NOT NULL, 
	level_m FLOAT, 
	planned_l JSON NOT NULL, 
	volume_l FLOAT NOT NULL, 
	asked_by TEXT, 
	CONSTRAINT pk_intents PRIMARY KEY (id), 
	CONSTRAINT uq_intents_order UNIQUE (site, order_id)
);
INSERT INTO "intents" VALUES(1,'plot','order-1','2026-06-01 04:30:00.000000','beds','{"node": "valves", "session": "5e551011", "sequence": 1, "order_id": "order-1", "channel": 0, "open_ms": 600000, "start_by_uptime_ms": 120000, "low_raw": null, "low_side": null}',0.9,'[["fig", 6.5]]',6.5,NULL);
INSERT INTO "intents" VALUES(2,'plot','order-2','2026-06-02 04:30:00.000000','beds','{"node": "valves", "session": "5e551011", "sequence": 2, "order_id": "order-2", "channel": 0, "open_ms": 600000, "start_by_uptime_ms": 120000, "low_raw": null, "low_side": null}',0.9,'[["fig", 6.5]]',6.5,NULL);
INSERT INTO "intents" VALUES(3,'plot','order-3','2026-06-03 04:30:00.000000','beds','{"node": "valves", "session": "5e551011", "sequence": 3, "order_id": "order-3", "channel": 0, "open_ms": 600000, "start_by_uptime_ms": 120000, "low_raw": null, "low_side": null}',0.9,'[["fig", 6.5]]',6.5,NULL);
CREATE TABLE learning (
	id INTEGER NOT NULL, 
	site TEXT NOT NULL, 
	zone TEXT NOT NULL, 
	at DATETIME NOT NULL, 
	flow_factor FLOAT NOT NULL, 
	flow_factor_sd FLOAT NOT NULL, 
	CONSTRAINT pk_learning PRIMARY KEY (id)
);
INSERT INTO "learning" VALUES(1,'plot','beds','2026-06-02 06:00:00.000000',0.97,0.02);
CREATE TABLE marks (
	site TEXT NOT NULL, 
	name TEXT NOT NULL, 
	value TEXT NOT NULL, 
	CONSTRAINT pk_marks PRIMARY KEY (site, name)
);
INSERT INTO "marks" VALUES('plot','pruned','2026-06-02');
CREATE TABLE measured (
	id INTEGER NOT NULL, 
	site TEXT NOT NULL, 
	order_id TEXT NOT NULL, 
	zone TEXT NOT NULL, 
	at DATETIME NOT NULL, 
	booked_l FLOAT NOT NULL, 
	measured_l FLOAT NOT NULL, 
	measured_sd_l FLOAT, 
	CONSTRAINT pk_measured PRIMARY KEY (id)
);
INSERT INTO "measured" VALUES(1,'plot','order-1','beds','2026-06-01 04:41:00.000000',6.5,6.2,NULL);
INSERT INTO "measured" VALUES(2,'plot','order-2','beds','2026-06-02 04:55:00.000000',6.5,6.4,0.3);
CREATE TABLE nodes (
	site TEXT NOT NULL, 
	node TEXT NOT NULL, 
	heard_at DATETIME NOT NULL, 
	session TEXT NOT NULL, 
	valves JSON NOT NULL, 
	supply_mv INTEGER, 
	refused_total INTEGER NOT NULL, 
	reset_cause TEXT, 
	CONSTRAINT pk_nodes PRIMARY KEY (site, node)
);
INSERT INTO "nodes" VALUES('plot','valves','2026-06-03 04:29:00.000000','5e551011','[]',12600,0,'power_on');
CREATE TABLE outlooks (
	site TEXT NOT NULL, 
	fetched_at DATETIME NOT NULL, 
	outlook TEXT NOT NULL, 
	CONSTRAINT pk_outlooks PRIMARY KEY (site)
);
CREATE TABLE plans (
	id INTEGER NOT NULL, 
	site TEXT NOT NULL, 
	day DATE NOT NULL, 
	made_at DATETIME NOT NULL, 
	"plan" TEXT NOT NULL, 
	CONSTRAINT pk_plans PRIMARY KEY (id)
);
CREATE TABLE readings (
	id INTEGER NOT NULL, 
	site TEXT NOT NULL, 
	at DATETIME NOT NULL, 
	pings JSON NOT NULL, 
	air_c FLOAT, 
	quality TEXT NOT NULL, 
	believed_at DATETIME, 
	level_m FLOAT, 
	low_m FLOAT, 
	high_m FLOAT, 
	why JSON NOT NULL, 
	CONSTRAINT pk_readings PRIMARY KEY (id)
);
INSERT INTO "readings" VALUES(1,'plot','2026-06-03 03:00:00.000000','[2915, 2916, 2914]',14.5,'good','2026-06-03 03:00:00.000000',0.9,0.88,0.92,'[]');
CREATE TABLE requests (
	id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, 
	site TEXT NOT NULL, 
	at DATETIME NOT NULL, 
	who TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	subject TEXT, 
	amount FLOAT
);
INSERT INTO "requests" VALUES(1,'plot','2026-06-02 10:00:00.000000','Ines','stop',NULL,NULL);
INSERT INTO "requests" VALUES(2,'plot','2026-06-03 10:00:00.000000','Ines','resume',NULL,NULL);
CREATE TABLE root_zones (
	site TEXT NOT NULL, 
	day DATE NOT NULL, 
	plant TEXT NOT NULL, 
	depletion_mm FLOAT NOT NULL, 
	wanted_l FLOAT NOT NULL, 
	et0_mm FLOAT NOT NULL, 
	et0_method TEXT NOT NULL, 
	rain_credited_l FLOAT NOT NULL, 
	given_l FLOAT NOT NULL, 
	stress FLOAT NOT NULL, 
	CONSTRAINT pk_root_zones PRIMARY KEY (site, day, plant), 
	CONSTRAINT fk_root_zones_site_days FOREIGN KEY(site, day) REFERENCES days (site, day) ON DELETE CASCADE
);
INSERT INTO "root_zones" VALUES('plot','2026-06-01','fig',6.0,6.5,4.1,'temperature',0.0,6.5,1.0);
CREATE TABLE stops (
	id INTEGER NOT NULL, 
	site TEXT NOT NULL, 
	stopped BOOLEAN NOT NULL, 
	who TEXT NOT NULL, 
	at DATETIME NOT NULL, 
	CONSTRAINT pk_stops PRIMARY KEY (id)
);
INSERT INTO "stops" VALUES(1,'plot',1,'Ines','2026-06-02 10:00:01.000000');
CREATE TABLE tellings (
	id INTEGER NOT NULL, 
	site TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	subject TEXT NOT NULL, 
	raised_at DATETIME NOT NULL, 
	person TEXT NOT NULL, 
	status TEXT NOT NULL, 
	at DATETIME NOT NULL, 
	CONSTRAINT pk_tellings PRIMARY KEY (id)
);
INSERT INTO "tellings" VALUES(1,'plot','node_silent','valves','2026-06-03 05:00:00.000000','Ines','told','2026-06-03 05:00:05.000000');
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('requests',2);
COMMIT;
