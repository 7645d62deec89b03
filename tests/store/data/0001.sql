BEGIN TRANSACTION;
CREATE TABLE benchd_schema (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT benchd_schema_pkc PRIMARY KEY (version_num)
);
INSERT INTO "benchd_schema" VALUES('0001');
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
	closed_reason TEXT, 
	PRIMARY KEY (id)
);
INSERT INTO "boot" VALUES('at286-1','at286','T1','t','2026-03-01T20:00:00+01:00',1772391600000000,'','2026-03-01T20:01:00+01:00','finished',NULL,'AA',9.5,7,2,1,NULL,'captures/at286/at286-1.pcapng',NULL);
INSERT INTO "boot" VALUES('at286-2','at286',NULL,'t','2026-03-01T20:02:00+01:00',1772391720000000,'',NULL,'stalled',NULL,NULL,0.0,0,0,0,'at286-1','captures/at286/at286-2.pcapng',NULL);
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
CREATE INDEX boot_by_start ON boot (started_us);
CREATE INDEX boot_by_machine ON boot (machine, started_us);
CREATE INDEX boot_by_trial ON boot (trial);
COMMIT;
