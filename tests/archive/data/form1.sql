BEGIN TRANSACTION;
CREATE TABLE archive_about (
	name TEXT NOT NULL, 
	value TEXT NOT NULL, 
	PRIMARY KEY (name)
);
INSERT INTO "archive_about" VALUES('form','1');
INSERT INTO "archive_about" VALUES('store','0009');
CREATE TABLE archive_ask (
	ask TEXT NOT NULL, 
	bench TEXT NOT NULL, 
	asked TEXT NOT NULL, 
	outbox TEXT, 
	missing JSON, 
	since TEXT, 
	upto JSON NOT NULL, 
	answered TEXT, 
	words TEXT, 
	boots BIGINT, 
	entries BIGINT, 
	PRIMARY KEY (ask)
);
CREATE TABLE archive_bench (
	bench TEXT NOT NULL, 
	share BIGINT NOT NULL, 
	first_seen TEXT NOT NULL, 
	online BOOLEAN, 
	reason TEXT, 
	outbox TEXT, 
	hears BOOLEAN DEFAULT 0 NOT NULL, 
	status_at TEXT, 
	PRIMARY KEY (bench), 
	UNIQUE (share)
);
INSERT INTO "archive_bench" VALUES('corner',1,'2026-11-28T11:24:06.792+00:00',1,'running','019caac58f806ae78a83',1,'2026-03-01T20:00:00.000+00:00');
INSERT INTO "archive_bench" VALUES('attic',2,'2026-11-28T11:24:06.797+00:00',1,'running','019caac58f802b8a5c8d',1,'2026-03-01T20:00:00.000+00:00');
CREATE TABLE archive_heard (
	bench TEXT NOT NULL, 
	process TEXT NOT NULL, 
	at TEXT NOT NULL, 
	received TEXT NOT NULL, 
	events BIGINT NOT NULL, 
	PRIMARY KEY (bench, process)
);
INSERT INTO "archive_heard" VALUES('attic','one','2026-03-01T20:00:00.000+00:00','2026-11-28T11:24:06.815+00:00',1);
INSERT INTO "archive_heard" VALUES('corner','one','2026-03-01T20:00:00.000+00:00','2026-11-28T11:24:06.815+00:00',3);
CREATE TABLE archive_outbox (
	bench TEXT NOT NULL, 
	outbox TEXT NOT NULL, 
	rank BIGINT NOT NULL, 
	made TEXT, 
	told BIGINT DEFAULT '0' NOT NULL, 
	floor BIGINT DEFAULT '0' NOT NULL, 
	settled BOOLEAN DEFAULT 0 NOT NULL, 
	PRIMARY KEY (bench, outbox)
);
INSERT INTO "archive_outbox" VALUES('attic','019caac58f802b8a5c8d',453732249600043,'2026-03-01T20:00:00.000+00:00',1,0,0);
INSERT INTO "archive_outbox" VALUES('corner','019caac58f806ae78a83',453732249600106,'2026-03-01T20:00:00.000+00:00',3,0,0);
CREATE TABLE archive_piece (
	bench TEXT NOT NULL, 
	outbox TEXT NOT NULL, 
	piece BIGINT NOT NULL, 
	process TEXT NOT NULL, 
	bits BLOB NOT NULL, 
	PRIMARY KEY (bench, outbox, piece, process)
);
INSERT INTO "archive_piece" VALUES('attic','019caac58f802b8a5c8d',0,'one',X'0100000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000');
INSERT INTO "archive_piece" VALUES('corner','019caac58f806ae78a83',0,'one',X'0700000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000');
CREATE TABLE archive_refused (
	reason TEXT NOT NULL, 
	process TEXT NOT NULL, 
	count BIGINT NOT NULL, 
	at TEXT NOT NULL, 
	topic TEXT NOT NULL, 
	words TEXT NOT NULL, 
	PRIMARY KEY (reason, process)
);
CREATE TABLE archive_version (
	bench TEXT NOT NULL, 
	part TEXT NOT NULL, 
	"key" TEXT NOT NULL, 
	rank BIGINT NOT NULL, 
	seq BIGINT NOT NULL, 
	PRIMARY KEY (bench, part, "key")
);
INSERT INTO "archive_version" VALUES('attic','boot','at286-20260301-000000-000',453732249600043,1);
INSERT INTO "archive_version" VALUES('corner','boot','at286-20260301-000000-000',453732249600106,1);
INSERT INTO "archive_version" VALUES('corner','boot','at286-20260301-000100-001',453732249600106,2);
INSERT INTO "archive_version" VALUES('corner','boot','at286-20260301-000200-002',453732249600106,3);
CREATE TABLE archive_whole (
	bench TEXT NOT NULL, 
	rank BIGINT NOT NULL, 
	seq BIGINT NOT NULL, 
	PRIMARY KEY (bench)
);
INSERT INTO "archive_whole" VALUES('corner',-9223372036854775808,0);
INSERT INTO "archive_whole" VALUES('attic',-9223372036854775808,0);
CREATE TABLE benchd_schema (version_num VARCHAR(32) NOT NULL);
INSERT INTO "benchd_schema" VALUES('0009');
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
	anchored BOOLEAN DEFAULT 1 NOT NULL, 
	blind JSON DEFAULT '[]' NOT NULL, 
	passes_of TEXT, 
	measured JSON, 
	capture TEXT, 
	closed_reason TEXT, 
	off_s DOUBLE, 
	model TEXT, 
	PRIMARY KEY (id)
);
INSERT INTO "boot" VALUES('at286-20260301-000000-000@attic','at286@attic',NULL,'demo-at286','2026-03-01T00:00:00+00:00',1772323200000000,'code 01','2026-03-01T00:00:11.702144+00:00','finished','hand-over','6F',11.702144,17,7,0,1,'[]',NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "boot" VALUES('at286-20260301-000000-000@corner','at286@corner',NULL,'demo-at286','2026-03-01T00:00:00+00:00',1772323200000000,'code 01','2026-03-01T00:00:11.702144+00:00','finished','hand-over','6F',11.702144,17,7,0,1,'[]',NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "boot" VALUES('at286-20260301-000100-001@corner','at286@corner',NULL,'demo-at286','2026-03-01T00:01:00+00:00',1772323260000000,'code 01','2026-03-01T00:01:12.548557+00:00','finished','hand-over','6F',12.548557,17,7,0,1,'[]',NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "boot" VALUES('at286-20260301-000200-002@corner','at286@corner',NULL,'demo-at286','2026-03-01T00:02:00+00:00',1772323320000000,'code 01','2026-03-01T00:02:12.043536+00:00','finished','hand-over','6F',12.043536,17,7,0,1,'[]',NULL,NULL,NULL,NULL,NULL,NULL);
CREATE TABLE boot_check (
	boot TEXT NOT NULL, 
	position INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	passed BOOLEAN NOT NULL, 
	t DOUBLE NOT NULL, 
	PRIMARY KEY (boot, position), 
	FOREIGN KEY(boot) REFERENCES boot (id) ON DELETE CASCADE
);
CREATE TABLE boot_mark (
	made_for TEXT NOT NULL, 
	boot TEXT NOT NULL, 
	moved BOOLEAN DEFAULT 0 NOT NULL, 
	trial TEXT, 
	left_out TEXT, 
	note TEXT DEFAULT '' NOT NULL, 
	labels JSON DEFAULT '[]' NOT NULL, 
	PRIMARY KEY (made_for)
);
CREATE TABLE change (
	number BIGINT NOT NULL, 
	at TEXT NOT NULL, 
	by_way TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	study TEXT, 
	trial TEXT, 
	boot TEXT, 
	result BIGINT, 
	"before" TEXT, 
	"after" TEXT, 
	PRIMARY KEY (number)
);
CREATE TABLE counter (
	name TEXT NOT NULL, 
	last BIGINT NOT NULL, 
	PRIMARY KEY (name)
);
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
CREATE TABLE image (
	sha256 TEXT NOT NULL, 
	name TEXT NOT NULL, 
	size BIGINT NOT NULL, 
	path TEXT, 
	PRIMARY KEY (sha256)
);
CREATE TABLE prediction (
	id BIGINT NOT NULL, 
	trial TEXT NOT NULL, 
	document JSON NOT NULL, 
	made TEXT NOT NULL, 
	PRIMARY KEY (id)
);
CREATE TABLE result (
	id BIGINT NOT NULL, 
	trial TEXT, 
	boot TEXT, 
	entered_for TEXT, 
	name TEXT NOT NULL, 
	passed BOOLEAN NOT NULL, 
	source TEXT NOT NULL, 
	note TEXT NOT NULL, 
	entered TEXT NOT NULL, 
	taken_back TEXT, 
	left_out TEXT, 
	PRIMARY KEY (id)
);
CREATE TABLE stage (
	boot TEXT NOT NULL, 
	position INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	t DOUBLE NOT NULL, 
	u DOUBLE NOT NULL, 
	PRIMARY KEY (boot, position), 
	FOREIGN KEY(boot) REFERENCES boot (id) ON DELETE CASCADE
);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@attic',0,'processor',0.0,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@attic',1,'chip-set',0.14004,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@attic',2,'base-memory',0.369473,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@attic',3,'memory',0.766221,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@attic',4,'keyboard',6.097734,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@attic',5,'display',6.587349,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@attic',6,'drives',6.874362,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@attic',7,'setup',8.099449,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@attic',8,'rom-scan',8.290043,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@attic',9,'storage-rom',8.537976,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@attic',10,'scan-done',10.400489,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@attic',11,'boot-choice',10.993992,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@attic',12,'boot-sector',11.322839,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@attic',13,'hand-over',11.702144,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@corner',0,'processor',0.0,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@corner',1,'chip-set',0.14004,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@corner',2,'base-memory',0.369473,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@corner',3,'memory',0.766221,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@corner',4,'keyboard',6.097734,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@corner',5,'display',6.587349,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@corner',6,'drives',6.874362,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@corner',7,'setup',8.099449,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@corner',8,'rom-scan',8.290043,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@corner',9,'storage-rom',8.537976,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@corner',10,'scan-done',10.400489,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@corner',11,'boot-choice',10.993992,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@corner',12,'boot-sector',11.322839,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000000-000@corner',13,'hand-over',11.702144,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000100-001@corner',0,'processor',0.0,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000100-001@corner',1,'chip-set',0.144362,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000100-001@corner',2,'base-memory',0.377083,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000100-001@corner',3,'memory',0.784918,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000100-001@corner',4,'keyboard',6.605001,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000100-001@corner',5,'display',7.133661,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000100-001@corner',6,'drives',7.426004,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000100-001@corner',7,'setup',8.535098,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000100-001@corner',8,'rom-scan',8.749536,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000100-001@corner',9,'storage-rom',8.989928,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000100-001@corner',10,'scan-done',11.174528,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000100-001@corner',11,'boot-choice',11.781157,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000100-001@corner',12,'boot-sector',12.136732,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000100-001@corner',13,'hand-over',12.548557,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000200-002@corner',0,'processor',0.0,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000200-002@corner',1,'chip-set',0.142751,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000200-002@corner',2,'base-memory',0.343971,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000200-002@corner',3,'memory',0.712614,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000200-002@corner',4,'keyboard',6.275031,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000200-002@corner',5,'display',6.764292,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000200-002@corner',6,'drives',7.087224,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000200-002@corner',7,'setup',8.197279,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000200-002@corner',8,'rom-scan',8.392693,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000200-002@corner',9,'storage-rom',8.663705,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000200-002@corner',10,'scan-done',10.664669,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000200-002@corner',11,'boot-choice',11.303135,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000200-002@corner',12,'boot-sector',11.647079,0.004);
INSERT INTO "stage" VALUES('at286-20260301-000200-002@corner',13,'hand-over',12.043536,0.004);
CREATE TABLE study (
	name TEXT NOT NULL, 
	document JSON NOT NULL, 
	created TEXT NOT NULL, 
	edited TEXT NOT NULL, 
	deleted TEXT, 
	called TEXT, 
	PRIMARY KEY (name)
);
CREATE TABLE trial (
	id TEXT NOT NULL, 
	number BIGINT NOT NULL, 
	study TEXT NOT NULL, 
	machine TEXT NOT NULL, 
	setup JSON NOT NULL, 
	changed JSON NOT NULL, 
	started TEXT NOT NULL, 
	ended TEXT, 
	note TEXT NOT NULL, 
	reseated BOOLEAN DEFAULT 0 NOT NULL, 
	rested_s DOUBLE, 
	name TEXT DEFAULT '' NOT NULL, 
	deleted TEXT, 
	PRIMARY KEY (id)
);
CREATE INDEX boot_by_trial ON boot (trial);
CREATE INDEX boot_by_start ON boot (started_us);
CREATE INDEX boot_good ON boot (machine, table_name, outcome, started_us);
CREATE INDEX boot_of_model ON boot (model, table_name, outcome, started_us);
CREATE INDEX boot_by_machine ON boot (machine, started_us);
CREATE INDEX boot_mark_by_boot ON boot_mark (boot);
CREATE INDEX boot_mark_by_trial ON boot_mark (trial);
CREATE INDEX change_by_trial ON change (trial);
CREATE INDEX change_by_boot ON change (boot);
CREATE INDEX change_by_study ON change (study);
CREATE INDEX trial_by_study ON trial (study);
CREATE INDEX prediction_by_trial ON prediction (trial);
CREATE INDEX result_by_trial ON result (trial);
CREATE INDEX result_by_boot ON result (boot);
CREATE INDEX archive_ask_by_bench ON archive_ask (bench, asked);
COMMIT;
