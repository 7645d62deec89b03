BEGIN TRANSACTION;
CREATE TABLE benchd_schema (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT benchd_schema_pkc PRIMARY KEY (version_num)
);
INSERT INTO "benchd_schema" VALUES('0005');
CREATE TABLE boot (
	id TEXT NOT NULL, 
	machine TEXT NOT NULL, 
	trial TEXT, 
	table_name TEXT NOT NULL, 
	started TEXT NOT NULL, 
	started_us BIGINT NOT NULL, 
	start_reason TEXT NOT NULL, 
	ended TEXT, 
	outcome TEXT NOT NULL, 
	last_stage TEXT, 
	last_code TEXT, 
	duration_s DOUBLE NOT NULL, 
	codes BIGINT NOT NULL, 
	lines BIGINT NOT NULL, 
	lost BIGINT NOT NULL, 
	passes_of TEXT, 
	capture TEXT, 
	closed_reason TEXT, anchored BOOLEAN DEFAULT 1 NOT NULL, blind JSON DEFAULT '[]' NOT NULL, off_s DOUBLE, 
	PRIMARY KEY (id)
);
INSERT INTO "boot" VALUES('at286-1','at286','T1','t','2026-03-01T20:00:00+01:00',1772391600000000,'','2026-03-01T20:01:00+01:00','finished',NULL,'AA',9.5,7,2,1,NULL,'captures/at286/at286-1.pcapng',NULL,0,'[]',12.5);
INSERT INTO "boot" VALUES('at286-2','at286',NULL,'t','2026-03-01T20:02:00+01:00',1772391720000000,'',NULL,'stalled',NULL,NULL,0.0,0,0,0,'at286-1','captures/at286/at286-2.pcapng',NULL,0,'[]',12.5);
CREATE TABLE boot_check (
	boot TEXT NOT NULL, 
	position INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	passed BOOLEAN NOT NULL, 
	t DOUBLE NOT NULL, 
	PRIMARY KEY (boot, position), 
	FOREIGN KEY(boot) REFERENCES boot (id) ON DELETE CASCADE
);
INSERT INTO "boot_check" VALUES('at286-1',0,'video-memory',1,8.0);
CREATE TABLE counter (
	name TEXT NOT NULL, 
	last BIGINT NOT NULL, 
	PRIMARY KEY (name)
);
INSERT INTO "counter" VALUES('trial',2);
CREATE TABLE finding (
	boot TEXT NOT NULL, 
	position INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	rule TEXT NOT NULL, 
	stage TEXT, 
	code TEXT, 
	t DOUBLE NOT NULL, 
	limit_s DOUBLE, 
	limit_kind TEXT, 
	cleared_t DOUBLE, 
	means TEXT, 
	try_ JSON NOT NULL, 
	caution TEXT, 
	detail TEXT, 
	PRIMARY KEY (boot, position), 
	FOREIGN KEY(boot) REFERENCES boot (id) ON DELETE CASCADE
);
INSERT INTO "finding" VALUES('at286-1',0,'slow','memory',NULL,NULL,4.0,3.5,'explicit',NULL,NULL,'["wait", "look"]',NULL,NULL);
CREATE TABLE image (
	sha256 TEXT NOT NULL, 
	name TEXT NOT NULL, 
	size BIGINT NOT NULL, 
	path TEXT, 
	PRIMARY KEY (sha256)
);
CREATE TABLE prediction (
	id INTEGER NOT NULL, 
	trial TEXT NOT NULL, 
	document JSON NOT NULL, 
	made TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(trial) REFERENCES trial (id)
);
CREATE TABLE result (
	id INTEGER NOT NULL, 
	trial TEXT, 
	boot TEXT, 
	name TEXT NOT NULL, 
	passed BOOLEAN NOT NULL, 
	source TEXT NOT NULL, 
	note TEXT NOT NULL, 
	entered TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(trial) REFERENCES trial (id)
);
INSERT INTO "result" VALUES(1,'T1','at286-1','c',1,'hand','n','2026-03-01T20:01:00+01:00');
INSERT INTO "result" VALUES(2,NULL,'at286-2','c',0,'hand','','2026-03-01T20:03:00+01:00');
CREATE TABLE stage (
	boot TEXT NOT NULL, 
	position INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	t DOUBLE NOT NULL, 
	u DOUBLE NOT NULL, 
	PRIMARY KEY (boot, position), 
	FOREIGN KEY(boot) REFERENCES boot (id) ON DELETE CASCADE
);
INSERT INTO "stage" VALUES('at286-1',0,'memory',0.1,0.01);
INSERT INTO "stage" VALUES('at286-1',1,'hand-over',9.25,0.01);
INSERT INTO "stage" VALUES('at286-2',0,'memory',0.1,0.01);
INSERT INTO "stage" VALUES('at286-2',1,'hand-over',9.25,0.01);
CREATE TABLE study (
	name TEXT NOT NULL, 
	document JSON NOT NULL, 
	created TEXT NOT NULL, 
	edited TEXT NOT NULL, 
	PRIMARY KEY (name)
);
INSERT INTO "study" VALUES('card','{"question": "why?"}','2026-03-01T20:00:00+01:00','2026-03-01T20:00:00+01:00');
CREATE TABLE trial (
	id TEXT NOT NULL, 
	number BIGINT NOT NULL, 
	study TEXT NOT NULL, 
	machine TEXT NOT NULL, 
	setup JSON NOT NULL, 
	changed JSON NOT NULL, 
	started TEXT NOT NULL, 
	ended TEXT, 
	note TEXT NOT NULL, reseated BOOLEAN DEFAULT 0 NOT NULL, rested_s DOUBLE, 
	PRIMARY KEY (id), 
	UNIQUE (number), 
	FOREIGN KEY(study) REFERENCES study (name)
);
INSERT INTO "trial" VALUES('T1',1,'card','at286','{"base": "C8"}','{}','2026-03-01T20:00:00+01:00','2026-03-01T20:03:00+01:00','first',0,NULL);
INSERT INTO "trial" VALUES('T2',2,'card','at286','{"base": "D0"}','{"base": "D0"}','2026-03-01T20:03:00+01:00',NULL,'',0,NULL);
CREATE INDEX boot_by_start ON boot (started_us);
CREATE INDEX boot_by_machine ON boot (machine, started_us);
CREATE INDEX boot_by_trial ON boot (trial);
CREATE INDEX trial_by_study ON trial (study);
CREATE UNIQUE INDEX trial_running ON trial (machine) WHERE ended IS NULL;
CREATE INDEX result_by_trial ON result (trial);
CREATE INDEX result_by_boot ON result (boot);
CREATE INDEX prediction_by_trial ON prediction (trial);
CREATE INDEX boot_good ON boot (machine, table_name, outcome, started_us);
COMMIT;
