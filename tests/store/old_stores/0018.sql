BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0018');
CREATE TABLE audit_entry (
	id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, 
	at BIGINT NOT NULL, 
	who VARCHAR NOT NULL, 
	event VARCHAR NOT NULL, 
	about VARCHAR NOT NULL, 
	address VARCHAR NOT NULL, 
	detail TEXT NOT NULL
);
INSERT INTO "audit_entry" VALUES(1,1,'who','backup made','about','address','detail');
CREATE TABLE batch (
	id VARCHAR NOT NULL, 
	kind VARCHAR NOT NULL, 
	title VARCHAR NOT NULL, 
	who VARCHAR NOT NULL, 
	at DATETIME NOT NULL, 
	facts JSON NOT NULL, 
	undone_at DATETIME, 
	undone_by VARCHAR NOT NULL, 
	CONSTRAINT pk_batch PRIMARY KEY (id)
);
INSERT INTO "batch" VALUES('eafe540b559e3394','import','records.jsonl','bench 1','2026-11-28 18:59:11.000000','{"added": 9}',NULL,'');
CREATE TABLE bench_entry (
	id INTEGER NOT NULL, 
	run_id INTEGER NOT NULL, 
	step VARCHAR NOT NULL, 
	value FLOAT, 
	min FLOAT, 
	max FLOAT, 
	open BOOLEAN NOT NULL, 
	done BOOLEAN NOT NULL, 
	written VARCHAR NOT NULL, 
	load_a FLOAT, 
	reading JSON, 
	entered_at DATETIME NOT NULL, 
	taken_back BOOLEAN NOT NULL, around JSON DEFAULT '{}' NOT NULL, 
	CONSTRAINT pk_bench_entry PRIMARY KEY (id), 
	CONSTRAINT fk_bench_entry_run_id FOREIGN KEY(run_id) REFERENCES bench_run (id) ON DELETE CASCADE
);
INSERT INTO "bench_entry" VALUES(1,1,'fuse',0.3,NULL,NULL,0,0,'0.3',NULL,NULL,'2026-11-28 18:59:12.000000',0,'{}');
CREATE TABLE bench_load (
	id INTEGER NOT NULL, 
	name VARCHAR NOT NULL, 
	name_key VARCHAR NOT NULL, 
	kind VARCHAR NOT NULL, 
	points JSON NOT NULL, 
	ohm FLOAT, 
	tolerance_pct FLOAT, 
	max_w FLOAT, 
	max_v FLOAT, 
	max_a FLOAT, 
	count INTEGER NOT NULL, 
	version INTEGER NOT NULL, binned_at DATETIME, base VARCHAR DEFAULT '' NOT NULL, 
	CONSTRAINT pk_bench_load PRIMARY KEY (id), 
	CONSTRAINT uq_bench_load_name_key UNIQUE (name_key)
);
INSERT INTO "bench_load" VALUES(1,'lamp 21 W filament','lamp 21 w filament','lamp','[[12.0, 1.75]]',NULL,NULL,25.0,NULL,NULL,4,1,NULL,'');
INSERT INTO "bench_load" VALUES(2,'resistor 10 Ω','resistor 10 ω','resistor','[]',10.0,5.0,50.0,NULL,NULL,2,1,NULL,'');
CREATE TABLE bench_run (
	id INTEGER NOT NULL, 
	uid VARCHAR NOT NULL, 
	family_id INTEGER NOT NULL, 
	case_id INTEGER, 
	label VARCHAR NOT NULL, 
	after_repair BOOLEAN NOT NULL, 
	isolated BOOLEAN NOT NULL, 
	soak_s FLOAT NOT NULL, 
	loads JSON NOT NULL, 
	left_out JSON NOT NULL, 
	family JSON NOT NULL, 
	verdict JSON NOT NULL, 
	state VARCHAR NOT NULL, 
	started_at DATETIME NOT NULL, 
	changed_at DATETIME NOT NULL, 
	acknowledged_at DATETIME, 
	finished_at DATETIME, setup JSON DEFAULT '{}' NOT NULL, 
	CONSTRAINT pk_bench_run PRIMARY KEY (id), 
	CONSTRAINT fk_bench_run_family_id FOREIGN KEY(family_id) REFERENCES family (id), 
	CONSTRAINT fk_bench_run_case_id FOREIGN KEY(case_id) REFERENCES board_case (id), 
	CONSTRAINT uq_bench_run_uid UNIQUE (uid)
);
INSERT INTO "bench_run" VALUES(1,'f8371bc8-98b6-461f-ab19-cb53cab0a206',1,1,'',0,0,600.0,'{"24V": {"amps": 1.0, "what": "lamp 21 W filament"}}','{"2": "no fuse"}','{"record": "family", "code": "GL-31", "kind": "power supply", "aliases": ["GL31-B", "Pier display"], "mains_v": 230.0, "bulk_v": 385.0, "bulk_uf": 0.00012, "fuse": "T3.15A", "rails": [{"name": "5VSB", "role": "standby", "nominal_v": 5.0, "tolerance_pct": 5.0, "rated_a": 1.0, "ripple_mv": 50.0, "always_on": true, "connector": "CN2", "pins": [4, 5], "ground_pins": [1, 2]}, {"name": "24V", "role": "backlight", "nominal_v": 24.0, "tolerance_pct": 8.0}], "connectors": [{"name": "CN2", "pins": 10, "rows": 2}], "enable": {"connector": "CN2", "pin": 3, "from_rail": "5VSB", "active": "high", "resistor_ohm": 1000.0}, "notes": "from the ferry information displays"}','{}','not finished','2026-11-28 18:59:12.000000','2026-11-28 18:59:12.000000','2026-11-28 18:59:12.000000',NULL,'{}');
CREATE TABLE board_case (
	id INTEGER NOT NULL, 
	uid VARCHAR NOT NULL, 
	family_id INTEGER NOT NULL, 
	revision VARCHAR NOT NULL, 
	received DATE, 
	closed DATE, 
	verdict VARCHAR, 
	complaint TEXT NOT NULL, 
	customer VARCHAR NOT NULL, 
	notes TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	changed_at DATETIME NOT NULL, 
	binned_at DATETIME, worker VARCHAR DEFAULT '' NOT NULL, waiting_for VARCHAR DEFAULT '' NOT NULL, waiting_since DATE, origin_id VARCHAR CONSTRAINT fk_board_case_origin_id REFERENCES origin (id), brand VARCHAR DEFAULT '' NOT NULL, device VARCHAR DEFAULT '' NOT NULL, serial VARCHAR DEFAULT '' NOT NULL, year_made INTEGER, day DATE, pin_values JSON, quote JSON, 
	CONSTRAINT pk_board_case PRIMARY KEY (id), 
	CONSTRAINT fk_board_case_family_id FOREIGN KEY(family_id) REFERENCES family (id), 
	CONSTRAINT uq_board_case_uid UNIQUE (uid)
);
INSERT INTO "board_case" VALUES(1,'old-1',1,'B','2026-03-02','2026-03-05','repaired','stays dark, relay ticks twice','the ferry office','café ☕
second line',1,'2026-11-28 18:59:11.000000',NULL,'','',NULL,NULL,'','','',NULL,'2026-03-02',NULL,NULL);
INSERT INTO "board_case" VALUES(2,'old-2',2,'','2026-04-01',NULL,NULL,'trips the breaker','','seen again',2,'2026-11-28 18:59:11.000000',NULL,'bench 1','parts','2026-04-03',NULL,'','ticket machine','TM-0042',2019,'2026-04-01',NULL,'{"date": "2026-04-03", "price": null, "ceiling": 60.0, "covers": "the supply", "warranty": "", "valid_until": "2026-05-03", "accepted": null, "declined": null}');
INSERT INTO "board_case" VALUES(3,'old-3',2,'','2026-04-02',NULL,NULL,'for the bin','','',2,'2026-11-28 18:59:11.000000','2026-11-28 18:59:12.000000','','',NULL,NULL,'','','',NULL,'2026-04-02',NULL,NULL);
CREATE TABLE board_picture (
	id INTEGER NOT NULL, 
	uid VARCHAR NOT NULL, 
	family_id INTEGER NOT NULL, 
	side VARCHAR NOT NULL, 
	caption VARCHAR NOT NULL, 
	taken DATE, 
	content VARCHAR NOT NULL, 
	stored_file_id INTEGER, 
	media_type VARCHAR NOT NULL, 
	width_px INTEGER NOT NULL, 
	height_px INTEGER NOT NULL, 
	corners JSON NOT NULL, 
	straight_width_px INTEGER, 
	straight_height_px INTEGER, 
	mm_per_px FLOAT, 
	replaced_by VARCHAR, 
	added_at DATETIME NOT NULL, 
	added_by VARCHAR NOT NULL, 
	version INTEGER NOT NULL, 
	changed_at DATETIME NOT NULL, 
	binned_at DATETIME, 
	CONSTRAINT pk_board_picture PRIMARY KEY (id), 
	CONSTRAINT fk_board_picture_family_id FOREIGN KEY(family_id) REFERENCES family (id) ON DELETE CASCADE, 
	CONSTRAINT fk_board_picture_stored_file_id FOREIGN KEY(stored_file_id) REFERENCES stored_file (id), 
	CONSTRAINT uq_board_picture_uid UNIQUE (uid)
);
INSERT INTO "board_picture" VALUES(1,'old-picture',1,'component side','',NULL,'b0a784a5f74d6366962c1e0b8f67beb6ba9e302dcd3440c9ae4d92972e2d7564',1,'image/jpeg',40,30,'[]',NULL,NULL,NULL,NULL,'2026-11-28 18:59:12.000000','bench 1',1,'2026-11-28 18:59:12.000000',NULL);
CREATE TABLE board_pin (
	id INTEGER NOT NULL, 
	picture_id INTEGER NOT NULL, 
	position INTEGER NOT NULL, 
	kind VARCHAR NOT NULL, 
	label VARCHAR NOT NULL, 
	label_key VARCHAR NOT NULL, 
	x FLOAT, 
	y FLOAT, 
	to_x FLOAT, 
	to_y FLOAT, 
	pins INTEGER, 
	rows INTEGER, 
	outline JSON NOT NULL, 
	part_class VARCHAR NOT NULL, 
	section VARCHAR, 
	CONSTRAINT pk_board_pin PRIMARY KEY (id), 
	CONSTRAINT fk_board_pin_picture_id FOREIGN KEY(picture_id) REFERENCES board_picture (id) ON DELETE CASCADE
);
INSERT INTO "board_pin" VALUES(1,1,0,'part','C9','c9',0.25,0.5,NULL,NULL,NULL,NULL,'[]','',NULL);
INSERT INTO "board_pin" VALUES(2,1,1,'connector','CN2','cn2',0.1,0.9,0.4,0.9,4,NULL,'[]','',NULL);
INSERT INTO "board_pin" VALUES(3,1,2,'hot side','','',NULL,NULL,NULL,NULL,NULL,NULL,'[[0.5, 0.0], [1.0, 0.0], [1.0, 1.0]]','',NULL);
CREATE TABLE case_attempt (
	id INTEGER NOT NULL, 
	case_id INTEGER NOT NULL, 
	position INTEGER NOT NULL, 
	part VARCHAR NOT NULL, 
	part_class_id INTEGER NOT NULL, 
	section VARCHAR NOT NULL, 
	failure VARCHAR NOT NULL, 
	action VARCHAR NOT NULL, 
	result VARCHAR NOT NULL, 
	cost_cents INTEGER, 
	minutes INTEGER, cause BOOLEAN, family_id INTEGER, day DATE, shelf_part VARCHAR DEFAULT '' NOT NULL, shelf_count INTEGER, 
	CONSTRAINT pk_case_attempt PRIMARY KEY (id), 
	CONSTRAINT fk_case_attempt_case_id FOREIGN KEY(case_id) REFERENCES board_case (id) ON DELETE CASCADE, 
	CONSTRAINT fk_case_attempt_part_class_id FOREIGN KEY(part_class_id) REFERENCES part_class (id)
);
INSERT INTO "case_attempt" VALUES(1,1,0,'C9',1,'standby output','high ESR','replace','cured',120,20,NULL,1,'2026-03-02','',NULL);
INSERT INTO "case_attempt" VALUES(2,1,1,'VR1',13,'mains input','','replace','no change',NULL,NULL,NULL,1,'2026-03-02','',NULL);
CREATE TABLE case_file (
	id INTEGER NOT NULL, 
	uid VARCHAR NOT NULL, 
	case_id INTEGER NOT NULL, 
	stored_file_id INTEGER NOT NULL, 
	position INTEGER NOT NULL, 
	original_name VARCHAR NOT NULL, 
	caption VARCHAR NOT NULL, 
	marks JSON NOT NULL, 
	added_at DATETIME NOT NULL, 
	added_by VARCHAR NOT NULL, 
	version INTEGER NOT NULL, 
	changed_at DATETIME NOT NULL, 
	binned_at DATETIME, 
	CONSTRAINT pk_case_file PRIMARY KEY (id), 
	CONSTRAINT fk_case_file_case_id FOREIGN KEY(case_id) REFERENCES board_case (id) ON DELETE CASCADE, 
	CONSTRAINT fk_case_file_stored_file_id FOREIGN KEY(stored_file_id) REFERENCES stored_file (id), 
	CONSTRAINT uq_case_file_case_id_stored_file_id UNIQUE (case_id, stored_file_id), 
	CONSTRAINT uq_case_file_uid UNIQUE (uid)
);
INSERT INTO "case_file" VALUES(1,'56194928-977c-4549-9cf4-b717714eaa2f',1,1,0,'board.jpg','as it came in','[]','2026-11-28 18:59:12.000000','bench 1',1,'2026-11-28 18:59:12.000000',NULL);
CREATE TABLE case_follow_up (
	id INTEGER NOT NULL, 
	case_id INTEGER NOT NULL, 
	position INTEGER NOT NULL, 
	date DATE NOT NULL, 
	state VARCHAR NOT NULL, 
	note VARCHAR NOT NULL, 
	CONSTRAINT pk_case_follow_up PRIMARY KEY (id), 
	CONSTRAINT fk_case_follow_up_case_id FOREIGN KEY(case_id) REFERENCES board_case (id) ON DELETE CASCADE
);
INSERT INTO "case_follow_up" VALUES(1,1,0,'2026-06-01','still working','phoned');
CREATE TABLE case_reading (
	id INTEGER NOT NULL, 
	case_id INTEGER NOT NULL, 
	position INTEGER NOT NULL, 
	rail VARCHAR, 
	point VARCHAR, 
	quantity VARCHAR NOT NULL, 
	supply VARCHAR NOT NULL, 
	load VARCHAR NOT NULL, 
	value FLOAT, 
	min FLOAT, 
	max FLOAT, 
	written VARCHAR NOT NULL, 
	after_repair BOOLEAN NOT NULL, 
	CONSTRAINT pk_case_reading PRIMARY KEY (id), 
	CONSTRAINT fk_case_reading_case_id FOREIGN KEY(case_id) REFERENCES board_case (id) ON DELETE CASCADE
);
INSERT INTO "case_reading" VALUES(1,1,0,'5VSB',NULL,'dc_v','standby','none',4.3,4.1,4.6,'',0);
INSERT INTO "case_reading" VALUES(2,1,1,NULL,'TP3','dc_v','running','test load',2.49,NULL,NULL,'2.49 V',1);
CREATE TABLE case_symptom (
	id INTEGER NOT NULL, 
	case_id INTEGER NOT NULL, 
	position INTEGER NOT NULL, 
	symptom_id INTEGER NOT NULL, 
	present BOOLEAN NOT NULL, 
	CONSTRAINT pk_case_symptom PRIMARY KEY (id), 
	CONSTRAINT fk_case_symptom_case_id FOREIGN KEY(case_id) REFERENCES board_case (id) ON DELETE CASCADE, 
	CONSTRAINT fk_case_symptom_symptom_id FOREIGN KEY(symptom_id) REFERENCES symptom (id)
);
INSERT INTO "case_symptom" VALUES(1,1,0,13,1);
INSERT INTO "case_symptom" VALUES(2,1,1,71,0);
INSERT INTO "case_symptom" VALUES(3,1,2,102,1);
CREATE TABLE case_total (
	what VARCHAR NOT NULL, 
	family_id INTEGER NOT NULL, 
	item VARCHAR NOT NULL, 
	cases INTEGER NOT NULL, 
	CONSTRAINT pk_case_total PRIMARY KEY (what, family_id, item)
);
INSERT INTO "case_total" VALUES('kept',0,'',2);
INSERT INTO "case_total" VALUES('binned',0,'',1);
INSERT INTO "case_total" VALUES('open',0,'',1);
INSERT INTO "case_total" VALUES('waiting',0,'',1);
INSERT INTO "case_total" VALUES('closed',1,'',1);
INSERT INTO "case_total" VALUES('closed in',0,'2026',1);
INSERT INTO "case_total" VALUES('kept',1,'',1);
INSERT INTO "case_total" VALUES('part_class',0,'1',1);
INSERT INTO "case_total" VALUES('part_class',0,'13',1);
INSERT INTO "case_total" VALUES('present',0,'102',1);
INSERT INTO "case_total" VALUES('present',0,'13',1);
INSERT INTO "case_total" VALUES('present',1,'102',1);
INSERT INTO "case_total" VALUES('present',1,'13',1);
INSERT INTO "case_total" VALUES('symptom',0,'102',1);
INSERT INTO "case_total" VALUES('symptom',0,'13',1);
INSERT INTO "case_total" VALUES('symptom',0,'71',1);
INSERT INTO "case_total" VALUES('kept',2,'',1);
INSERT INTO "case_total" VALUES('open',0,'bench 1',1);
INSERT INTO "case_total" VALUES('waiting',0,'bench 1',1);
INSERT INTO "case_total" VALUES('worked',0,'bench 1',1);
INSERT INTO "case_total" VALUES('binned',2,'',1);
CREATE TABLE change (
	seq INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, 
	nonce VARCHAR NOT NULL, 
	entity VARCHAR NOT NULL, 
	"key" VARCHAR NOT NULL, 
	operation VARCHAR NOT NULL, 
	at DATETIME NOT NULL
, version INTEGER, who VARCHAR DEFAULT '' NOT NULL, batch VARCHAR, checksum VARCHAR);
INSERT INTO "change" VALUES(1,'b64806f2a04f3867','symptom','hums at night','added','2026-11-28 18:59:11.000000',1,'bench 1','eafe540b559e3394','f5bbf2b87d6b8eb84348533f94202351');
INSERT INTO "change" VALUES(2,'ab16e1dd3e473618','part_class','gas discharge tube','updated','2026-11-28 18:59:11.000000',2,'bench 1','eafe540b559e3394','88dc16fc5b1b870556899a7af597f181');
INSERT INTO "change" VALUES(3,'97b567f31972d4b7','load','lamp 21 W filament','added','2026-11-28 18:59:11.000000',1,'bench 1','eafe540b559e3394','96ec52dd366e8db7298129e2ba63a240');
INSERT INTO "change" VALUES(4,'ef341ac927e04277','load','resistor 10 Ω','added','2026-11-28 18:59:11.000000',1,'bench 1','eafe540b559e3394','7155d15a1e4f7102368a76ab81a0c004');
INSERT INTO "change" VALUES(5,'ebdcd131a5a195e2','family','GL-31','added','2026-11-28 18:59:11.000000',1,'bench 1','eafe540b559e3394','5380123fbcd33c3fd44e3cf87e85f0fd');
INSERT INTO "change" VALUES(6,'413d05a563dfdcb5','family','WB-7','added','2026-11-28 18:59:11.000000',1,'bench 1','eafe540b559e3394','6d65639cd1f13379b1cd1963730210ea');
INSERT INTO "change" VALUES(7,'a4da67ca906b3487','case','old-1','added','2026-11-28 18:59:11.000000',1,'bench 1','eafe540b559e3394','f44556183ae0a6b6c15b8af72a61f8b2');
INSERT INTO "change" VALUES(8,'6bdcb781fdc9d5ac','case','old-2','added','2026-11-28 18:59:11.000000',1,'bench 1','eafe540b559e3394','05fc094595587b8334d3bc58fc265aff');
INSERT INTO "change" VALUES(9,'0dd687c9afe283ca','case','old-3','added','2026-11-28 18:59:11.000000',1,'bench 1','eafe540b559e3394','787f95d2e25e3e331ba70c4415ab4417');
INSERT INTO "change" VALUES(10,'4b7ae64cecb533fd','case','old-2','updated','2026-11-28 18:59:12.000000',2,'bench 1',NULL,'4ef3bd4eb1314216d5f8da5499903117');
INSERT INTO "change" VALUES(11,'b837c8cce9610343','family','WB-7','updated','2026-11-28 18:59:12.000000',2,'bench 1',NULL,'3661984dbcb4f848f60a52a74cc3e0ab');
INSERT INTO "change" VALUES(12,'67942945fdf3f6f6','case','old-3','binned','2026-11-28 18:59:12.000000',2,'bench 1',NULL,NULL);
INSERT INTO "change" VALUES(13,'b247a0d17e0bbb0a','case_file','56194928-977c-4549-9cf4-b717714eaa2f','added','2026-11-28 18:59:12.000000',1,'bench 1',NULL,'a3e9f488100b0d1becfb88b7556f0ea0');
INSERT INTO "change" VALUES(14,'a7d226fe18e6e22a','picture','old-picture','added','2026-11-28 18:59:12.000000',1,'bench 1',NULL,'1070e067a3673c2cd446c910ff0b6e7c');
INSERT INTO "change" VALUES(15,'1636b9c0e6346b0e','shelf_part','1000 uF 16 V','added','2026-11-28 18:59:12.000000',1,'bench 1',NULL,'7a6401e21deb28f248496bcf4e4c0c2b');
INSERT INTO "change" VALUES(16,'8cd22777f8608e4b','family','WB-7','updated','2026-11-28 18:59:12.000000',3,'bench 1',NULL,'f7e0e299aa02910e9ee243582ce95c4f');
CREATE TABLE change_total (
	entity VARCHAR NOT NULL, 
	who VARCHAR NOT NULL, 
	changes INTEGER NOT NULL, 
	CONSTRAINT pk_change_total PRIMARY KEY (entity, who)
);
INSERT INTO "change_total" VALUES('symptom','bench 1',1);
INSERT INTO "change_total" VALUES('part_class','bench 1',1);
INSERT INTO "change_total" VALUES('load','bench 1',2);
INSERT INTO "change_total" VALUES('family','bench 1',4);
INSERT INTO "change_total" VALUES('case','bench 1',5);
INSERT INTO "change_total" VALUES('case_file','bench 1',1);
INSERT INTO "change_total" VALUES('picture','bench 1',1);
INSERT INTO "change_total" VALUES('shelf_part','bench 1',1);
CREATE TABLE customer_report (
	id INTEGER NOT NULL, 
	uid VARCHAR NOT NULL, 
	case_id INTEGER NOT NULL, 
	content JSON NOT NULL, 
	written_at DATETIME NOT NULL, 
	issued_at DATETIME, 
	CONSTRAINT pk_customer_report PRIMARY KEY (id), 
	CONSTRAINT fk_customer_report_case_id FOREIGN KEY(case_id) REFERENCES board_case (id) ON DELETE CASCADE, 
	CONSTRAINT uq_customer_report_uid UNIQUE (uid)
);
INSERT INTO "customer_report" VALUES(1,'6aa02587-fe63-4dae-9a12-149a1e5c2f40',1,'{"asked": "Stays dark."}','2026-11-28 18:59:12.000000','2026-11-28 18:59:12.000000');
CREATE TABLE failed_sign_in (
	"key" VARCHAR NOT NULL, 
	count INTEGER NOT NULL, 
	last_at BIGINT NOT NULL, 
	CONSTRAINT pk_failed_sign_in PRIMARY KEY ("key")
);
INSERT INTO "failed_sign_in" VALUES('key',1,1);
CREATE TABLE family (
	id INTEGER NOT NULL, 
	code VARCHAR NOT NULL, 
	code_key VARCHAR NOT NULL, 
	kind VARCHAR NOT NULL, 
	mains_v FLOAT, 
	bulk_v FLOAT, 
	bulk_uf FLOAT, 
	fuse VARCHAR NOT NULL, 
	enable JSON, 
	notes TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	changed_at DATETIME NOT NULL, binned_at DATETIME, isolated BOOLEAN, switch VARCHAR DEFAULT '' NOT NULL, tips JSON DEFAULT '[]' NOT NULL, revisions JSON DEFAULT '[]' NOT NULL, used_in JSON DEFAULT '[]' NOT NULL, pin_values JSON DEFAULT '[]' NOT NULL, 
	CONSTRAINT pk_family PRIMARY KEY (id), 
	CONSTRAINT uq_family_code_key UNIQUE (code_key)
);
INSERT INTO "family" VALUES(1,'GL-31','gl31','power supply',230.0,385.0,0.00012,'T3.15A','{"connector": "CN2", "pin": 3, "from_rail": "5VSB", "active": "high", "resistor_ohm": 1000.0}','from the ferry information displays',1,'2026-11-28 18:59:11.000000',NULL,NULL,'','[]','[]','[]','[]');
INSERT INTO "family" VALUES(2,'WB-7','wb7','galley appliance',NULL,NULL,NULL,'',NULL,'two of them',3,'2026-11-28 18:59:12.000000',NULL,NULL,'','[{"place": "board", "name": "", "text": "load it first", "who": "bench 1", "date": "2026-04-03"}]','[]','[]','[]');
CREATE TABLE family_connector (
	id INTEGER NOT NULL, 
	family_id INTEGER NOT NULL, 
	position INTEGER NOT NULL, 
	name VARCHAR NOT NULL, 
	pins INTEGER NOT NULL, 
	rows INTEGER NOT NULL, 
	CONSTRAINT pk_family_connector PRIMARY KEY (id), 
	CONSTRAINT fk_family_connector_family_id FOREIGN KEY(family_id) REFERENCES family (id) ON DELETE CASCADE
);
INSERT INTO "family_connector" VALUES(1,1,0,'CN2',10,2);
CREATE TABLE family_number (
	id INTEGER NOT NULL, 
	family_id INTEGER NOT NULL, 
	position INTEGER NOT NULL, 
	number VARCHAR NOT NULL, 
	number_key VARCHAR NOT NULL, 
	CONSTRAINT pk_family_number PRIMARY KEY (id), 
	CONSTRAINT fk_family_number_family_id FOREIGN KEY(family_id) REFERENCES family (id) ON DELETE CASCADE, 
	CONSTRAINT uq_family_number_number_key UNIQUE (number_key)
);
INSERT INTO "family_number" VALUES(1,1,0,'GL-31','gl31');
INSERT INTO "family_number" VALUES(2,1,1,'GL31-B','gl31b');
INSERT INTO "family_number" VALUES(3,1,2,'Pier display','pierdisplay');
INSERT INTO "family_number" VALUES(4,2,0,'WB-7','wb7');
CREATE TABLE family_rail (
	id INTEGER NOT NULL, 
	family_id INTEGER NOT NULL, 
	position INTEGER NOT NULL, 
	name VARCHAR NOT NULL, 
	role VARCHAR NOT NULL, 
	nominal_v FLOAT NOT NULL, 
	tolerance_pct FLOAT, 
	rated_a FLOAT, 
	ripple_mv FLOAT, 
	always_on BOOLEAN NOT NULL, 
	connector VARCHAR NOT NULL, 
	pins JSON NOT NULL, 
	ground_pins JSON NOT NULL, 
	CONSTRAINT pk_family_rail PRIMARY KEY (id), 
	CONSTRAINT fk_family_rail_family_id FOREIGN KEY(family_id) REFERENCES family (id) ON DELETE CASCADE
);
INSERT INTO "family_rail" VALUES(1,1,0,'5VSB','standby',5.0,5.0,1.0,50.0,1,'CN2','[4, 5]','[1, 2]');
INSERT INTO "family_rail" VALUES(2,1,1,'24V','backlight',24.0,8.0,NULL,NULL,0,'','[]','[]');
CREATE TABLE history (
	id INTEGER NOT NULL, 
	entity VARCHAR NOT NULL, 
	"key" VARCHAR NOT NULL, 
	version INTEGER NOT NULL, 
	record JSON NOT NULL, 
	replaced_at DATETIME NOT NULL, binned_at DATETIME, checksum VARCHAR, 
	CONSTRAINT pk_history PRIMARY KEY (id)
);
INSERT INTO "history" VALUES(1,'part_class','gas discharge tube',1,'{"record": "part_class", "name": "gas discharge tube", "synonyms": ["surge arrester", "spark gap"], "letters": ["GDT", "SG"]}','2026-11-28 18:59:11.000000',NULL,'6e61d1c6158e37f144df18fac433547b');
INSERT INTO "history" VALUES(2,'case','old-2',1,'{"record": "case", "uid": "old-2", "family": "WB-7", "device": "ticket machine", "year_made": 2019, "serial": "TM-0042", "received": "2026-04-01", "complaint": "trips the breaker", "worker": "bench 1", "waiting_for": "parts", "waiting_since": "2026-04-03", "quote": {"date": "2026-04-03", "ceiling": 60.0, "covers": "the supply", "valid_until": "2026-05-03"}}','2026-11-28 18:59:11.000000',NULL,'05fc094595587b8334d3bc58fc265aff');
INSERT INTO "history" VALUES(3,'family','WB-7',1,'{"record": "family", "code": "WB-7", "kind": "galley appliance"}','2026-11-28 18:59:12.000000',NULL,'6d65639cd1f13379b1cd1963730210ea');
INSERT INTO "history" VALUES(4,'family','WB-7',2,'{"record": "family", "code": "WB-7", "kind": "galley appliance", "notes": "two of them"}','2026-11-28 18:59:12.000000',NULL,'3661984dbcb4f848f60a52a74cc3e0ab');
CREATE TABLE origin (
	id VARCHAR NOT NULL, 
	name VARCHAR NOT NULL, 
	exported DATE NOT NULL, 
	brought_at DATETIME NOT NULL, 
	withdrawn_at DATETIME, 
	withdrawn_batch VARCHAR, 
	CONSTRAINT pk_origin PRIMARY KEY (id)
);
INSERT INTO "origin" VALUES('id','name','2026-04-03','2026-04-03 12:00:00.000000',NULL,NULL);
CREATE TABLE part_class (
	id INTEGER NOT NULL, 
	name VARCHAR NOT NULL, 
	name_key VARCHAR NOT NULL, 
	synonyms JSON NOT NULL, 
	letters JSON NOT NULL, 
	version INTEGER NOT NULL, binned_at DATETIME, 
	CONSTRAINT pk_part_class PRIMARY KEY (id), 
	CONSTRAINT uq_part_class_name_key UNIQUE (name_key)
);
INSERT INTO "part_class" VALUES(1,'electrolytic capacitor','electrolytic capacitor','["elco", "electrolytic", "lytic", "aluminium capacitor", "cap"]','["C", "EC"]',1,NULL);
INSERT INTO "part_class" VALUES(2,'bulk capacitor','bulk capacitor','["main capacitor", "reservoir capacitor", "primary capacitor"]','["C", "EC"]',1,NULL);
INSERT INTO "part_class" VALUES(3,'ceramic capacitor','ceramic capacitor','["mlcc", "ceramic cap", "smd capacitor"]','["C"]',1,NULL);
INSERT INTO "part_class" VALUES(4,'safety capacitor','safety capacitor','["y capacitor", "y cap", "safety cap"]','["CY", "C"]',1,NULL);
INSERT INTO "part_class" VALUES(5,'film capacitor','film capacitor','["x capacitor", "mains film capacitor", "dropper capacitor", "capacitive dropper"]','["C", "CX"]',1,NULL);
INSERT INTO "part_class" VALUES(6,'polymer capacitor','polymer capacitor','["solid capacitor"]','["C", "EC"]',1,NULL);
INSERT INTO "part_class" VALUES(7,'resistor','resistor','["res"]','["R"]',1,NULL);
INSERT INTO "part_class" VALUES(8,'start-up resistor','start-up resistor','["startup resistor", "kick start resistor"]','["R"]',1,NULL);
INSERT INTO "part_class" VALUES(9,'current sense resistor','current sense resistor','["shunt resistor", "source resistor"]','["R"]',1,NULL);
INSERT INTO "part_class" VALUES(10,'fusible resistor','fusible resistor','["fuse resistor", "safety resistor", "flameproof resistor"]','["R", "RF", "FR"]',1,NULL);
INSERT INTO "part_class" VALUES(11,'inrush limiter','inrush limiter','["ntc", "inrush thermistor"]','["RT", "NTC", "TH"]',1,NULL);
INSERT INTO "part_class" VALUES(12,'resettable fuse','resettable fuse','["ptc", "polymer fuse"]','["RT", "PTC", "F"]',1,NULL);
INSERT INTO "part_class" VALUES(13,'gas discharge tube','gas discharge tube','["spark tube"]','["GDT"]',2,NULL);
INSERT INTO "part_class" VALUES(14,'varistor','varistor','["mov", "vdr"]','["RV", "VR", "ZNR"]',1,NULL);
INSERT INTO "part_class" VALUES(15,'potentiometer','potentiometer','["trimmer", "pot", "preset"]','["VR", "RV", "P"]',1,NULL);
INSERT INTO "part_class" VALUES(16,'fuse','fuse','[]','["F", "FU"]',1,NULL);
INSERT INTO "part_class" VALUES(17,'thermal cut-out','thermal cut-out','["thermal fuse", "thermostat"]','["TF", "TH", "S"]',1,NULL);
INSERT INTO "part_class" VALUES(18,'diode','diode','["rectifier diode", "rectifier"]','["D"]',1,NULL);
INSERT INTO "part_class" VALUES(19,'Schottky rectifier','schottky rectifier','["schottky", "output rectifier", "dual schottky"]','["D"]',1,NULL);
INSERT INTO "part_class" VALUES(20,'fast rectifier','fast rectifier','["ultrafast diode", "fast diode"]','["D"]',1,NULL);
INSERT INTO "part_class" VALUES(21,'bridge rectifier','bridge rectifier','["bridge", "rectifier bridge"]','["BD", "BR", "D", "DB"]',1,NULL);
INSERT INTO "part_class" VALUES(22,'zener diode','zener diode','["zener"]','["ZD", "D", "Z"]',1,NULL);
INSERT INTO "part_class" VALUES(23,'surge suppressor diode','surge suppressor diode','["tvs diode", "tvs"]','["D", "ZD", "TVS"]',1,NULL);
INSERT INTO "part_class" VALUES(24,'light-emitting diode','light-emitting diode','["led", "led strip", "backlight led"]','["LED", "D"]',1,NULL);
INSERT INTO "part_class" VALUES(25,'bipolar transistor','bipolar transistor','["transistor", "bjt", "driver transistor"]','["Q", "T", "TR"]',1,NULL);
INSERT INTO "part_class" VALUES(26,'MOSFET','mosfet','["fet", "switching transistor"]','["Q", "T", "TR"]',1,NULL);
INSERT INTO "part_class" VALUES(27,'power factor MOSFET','power factor mosfet','["pfc mosfet", "pfc fet"]','["Q"]',1,NULL);
INSERT INTO "part_class" VALUES(28,'controller IC','controller ic','["pwm controller", "pwm ic", "primary controller", "control ic"]','["U", "IC"]',1,NULL);
INSERT INTO "part_class" VALUES(29,'power factor controller IC','power factor controller ic','["pfc controller", "pfc ic"]','["U", "IC"]',1,NULL);
INSERT INTO "part_class" VALUES(30,'integrated switcher','integrated switcher','["standby switcher", "offline switcher", "switcher ic"]','["U", "IC"]',1,NULL);
INSERT INTO "part_class" VALUES(31,'backlight driver IC','backlight driver ic','["led driver ic", "boost controller"]','["U", "IC"]',1,NULL);
INSERT INTO "part_class" VALUES(32,'linear regulator','linear regulator','["regulator", "three terminal regulator", "ldo"]','["U", "IC", "VR"]',1,NULL);
INSERT INTO "part_class" VALUES(33,'buck regulator','buck regulator','["step-down regulator", "dc-dc converter"]','["U", "IC"]',1,NULL);
INSERT INTO "part_class" VALUES(34,'shunt reference','shunt reference','["voltage reference", "adjustable reference", "431"]','["U", "IC", "Q"]',1,NULL);
INSERT INTO "part_class" VALUES(35,'optocoupler','optocoupler','["opto", "photocoupler", "photo coupler", "opto-isolator", "optoisolator"]','["PC", "OK", "ISO", "OC", "U", "IC"]',1,NULL);
INSERT INTO "part_class" VALUES(36,'supervisor IC','supervisor ic','["protection ic", "watchdog ic", "reset ic"]','["U", "IC"]',1,NULL);
INSERT INTO "part_class" VALUES(37,'microcontroller','microcontroller','["mcu", "processor"]','["U", "IC"]',1,NULL);
INSERT INTO "part_class" VALUES(38,'memory','memory','["eeprom", "flash memory"]','["U", "IC"]',1,NULL);
INSERT INTO "part_class" VALUES(39,'op-amp or comparator','op-amp or comparator','["op amp", "comparator"]','["U", "IC"]',1,NULL);
INSERT INTO "part_class" VALUES(40,'triac or thyristor','triac or thyristor','["triac", "thyristor", "scr"]','["Q", "TR", "SCR"]',1,NULL);
INSERT INTO "part_class" VALUES(41,'IGBT','igbt','["power transistor module"]','["Q"]',1,NULL);
INSERT INTO "part_class" VALUES(42,'transformer','transformer','["switching transformer", "smps transformer"]','["T", "TR"]',1,NULL);
INSERT INTO "part_class" VALUES(43,'inductor','inductor','["coil", "choke"]','["L"]',1,NULL);
INSERT INTO "part_class" VALUES(44,'line filter','line filter','["common mode choke"]','["LF", "L", "FL"]',1,NULL);
INSERT INTO "part_class" VALUES(45,'ferrite bead','ferrite bead','["bead"]','["FB", "L"]',1,NULL);
INSERT INTO "part_class" VALUES(46,'relay','relay','[]','["K", "RY", "RL"]',1,NULL);
INSERT INTO "part_class" VALUES(47,'switch','switch','["push button", "rocker switch"]','["S", "SW"]',1,NULL);
INSERT INTO "part_class" VALUES(48,'crystal','crystal','["resonator", "quartz"]','["Y", "X"]',1,NULL);
INSERT INTO "part_class" VALUES(49,'connector','connector','["plug", "socket", "header"]','["CN", "J", "P", "X"]',1,NULL);
INSERT INTO "part_class" VALUES(50,'cable','cable','["lead", "ribbon cable", "wiring"]','["W"]',1,NULL);
INSERT INTO "part_class" VALUES(51,'solder joint','solder joint','["dry joint", "cold joint", "cracked joint"]','[]',1,NULL);
INSERT INTO "part_class" VALUES(52,'circuit board','circuit board','["pcb", "track", "trace", "via", "jumper", "wire link"]','["PCB"]',1,NULL);
INSERT INTO "part_class" VALUES(53,'fan','fan','["cooling fan", "blower"]','["M", "FAN"]',1,NULL);
INSERT INTO "part_class" VALUES(54,'motor or pump','motor or pump','["motor", "pump"]','["M"]',1,NULL);
INSERT INTO "part_class" VALUES(55,'heating element','heating element','["heater"]','["E", "EH", "R"]',1,NULL);
INSERT INTO "part_class" VALUES(56,'loudspeaker or buzzer','loudspeaker or buzzer','["speaker", "buzzer", "sounder"]','["LS", "BZ"]',1,NULL);
INSERT INTO "part_class" VALUES(57,'cold-cathode lamp','cold-cathode lamp','["ccfl", "backlight tube"]','["DS", "L"]',1,NULL);
INSERT INTO "part_class" VALUES(58,'keypad','keypad','["membrane", "key foil", "touch panel"]','["S", "SW"]',1,NULL);
INSERT INTO "part_class" VALUES(59,'heat sink or pad','heat sink or pad','["heat sink", "insulating pad", "thermal paste"]','["HS"]',1,NULL);
INSERT INTO "part_class" VALUES(60,'display module','display module','["lcd", "vfd", "display"]','["DS", "LCD"]',1,NULL);
INSERT INTO "part_class" VALUES(61,'battery','battery','["cell", "backup battery"]','["BT", "BAT"]',1,NULL);
INSERT INTO "part_class" VALUES(62,'sensor','sensor','["temperature sensor", "hall sensor"]','["RT", "B", "U"]',1,NULL);
INSERT INTO "part_class" VALUES(63,'other','other','[]','[]',1,NULL);
CREATE TABLE person (
	id INTEGER NOT NULL, 
	name VARCHAR NOT NULL, 
	name_key VARCHAR NOT NULL, 
	level VARCHAR NOT NULL, 
	password_hash VARCHAR NOT NULL, 
	link_hash VARCHAR, 
	link_expires_at BIGINT, 
	added_at BIGINT NOT NULL, 
	signed_in_at BIGINT, totp_secret VARCHAR DEFAULT '' NOT NULL, totp_added_at BIGINT, totp_step BIGINT, recovery_hashes TEXT DEFAULT '' NOT NULL, untold TEXT DEFAULT '' NOT NULL, 
	CONSTRAINT pk_person PRIMARY KEY (id), 
	CONSTRAINT uq_person_name_key UNIQUE (name_key), 
	CONSTRAINT uq_person_link_hash UNIQUE (link_hash)
);
INSERT INTO "person" VALUES(1,'name','name_key','administer','password_hash',NULL,NULL,1,NULL,'',NULL,NULL,'','');
CREATE TABLE person_session (
	id INTEGER NOT NULL, 
	person_id INTEGER NOT NULL, 
	key_hash VARCHAR NOT NULL, 
	prior_hash VARCHAR, 
	confirmed BOOLEAN NOT NULL, 
	started_at BIGINT NOT NULL, 
	rotated_at BIGINT NOT NULL, 
	seen_at BIGINT NOT NULL, 
	address VARCHAR NOT NULL, 
	browser VARCHAR NOT NULL, proved_at BIGINT, 
	CONSTRAINT pk_person_session PRIMARY KEY (id), 
	CONSTRAINT fk_person_session_person_id FOREIGN KEY(person_id) REFERENCES person (id) ON DELETE CASCADE, 
	CONSTRAINT uq_person_session_key_hash UNIQUE (key_hash)
);
INSERT INTO "person_session" VALUES(1,1,'key_hash',NULL,0,1,1,1,'address','browser',NULL);
CREATE TABLE person_token (
	id INTEGER NOT NULL, 
	person_id INTEGER NOT NULL, 
	name VARCHAR NOT NULL, 
	scope VARCHAR NOT NULL, 
	token_hash VARCHAR NOT NULL, 
	made_at BIGINT NOT NULL, 
	expires_at BIGINT NOT NULL, 
	used_at BIGINT, 
	CONSTRAINT pk_person_token PRIMARY KEY (id), 
	CONSTRAINT fk_person_token_person_id FOREIGN KEY(person_id) REFERENCES person (id) ON DELETE CASCADE, 
	CONSTRAINT uq_person_token_token_hash UNIQUE (token_hash)
);
INSERT INTO "person_token" VALUES(1,1,'name','read','token_hash',1,1,NULL);
CREATE TABLE sent_once (
	who VARCHAR NOT NULL, 
	"key" VARCHAR NOT NULL, 
	at DATETIME NOT NULL, 
	entity VARCHAR NOT NULL, 
	name VARCHAR NOT NULL, 
	CONSTRAINT pk_sent_once PRIMARY KEY (who, "key")
);
INSERT INTO "sent_once" VALUES('who','key','2026-04-03 12:00:00.000000','entity','name');
CREATE TABLE setting (
	name VARCHAR NOT NULL, 
	value JSON NOT NULL, 
	CONSTRAINT pk_setting PRIMARY KEY (name)
);
INSERT INTO "setting" VALUES('identity','"ef5e7cc6ceb8fd1d2391affe81fe7d91"');
CREATE TABLE sheet_mapping (
	id INTEGER NOT NULL, 
	name VARCHAR NOT NULL, 
	name_key VARCHAR NOT NULL, 
	headings JSON NOT NULL, 
	decisions JSON NOT NULL, 
	changed_at DATETIME NOT NULL, 
	CONSTRAINT pk_sheet_mapping PRIMARY KEY (id), 
	CONSTRAINT uq_sheet_mapping_name_key UNIQUE (name_key)
);
INSERT INTO "sheet_mapping" VALUES(1,'name','name_key','{}','{}','2026-04-03 12:00:00.000000');
CREATE TABLE shelf_part (
	id INTEGER NOT NULL, 
	name VARCHAR NOT NULL, 
	name_key VARCHAR NOT NULL, 
	part_class VARCHAR NOT NULL, 
	kind VARCHAR NOT NULL, 
	type_number VARCHAR NOT NULL, 
	value FLOAT, 
	unit VARCHAR NOT NULL, 
	tolerance_pct FLOAT, 
	max_v FLOAT, 
	max_a FLOAT, 
	max_w FLOAT, 
	max_c FLOAT, 
	esr_ohm FLOAT, 
	package VARCHAR NOT NULL, 
	count INTEGER NOT NULL, 
	least INTEGER, 
	place VARCHAR NOT NULL, 
	price FLOAT, 
	used_at JSON NOT NULL, 
	instead_of JSON NOT NULL, 
	notes TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	binned_at DATETIME, 
	CONSTRAINT pk_shelf_part PRIMARY KEY (id), 
	CONSTRAINT uq_shelf_part_name_key UNIQUE (name_key)
);
INSERT INTO "shelf_part" VALUES(1,'1000 uF 16 V','1000 uf 16 v','electrolytic capacitor','','',0.001,'F',NULL,16.0,NULL,NULL,NULL,NULL,'',12,4,'drawer 3',0.4,'[]','[]','',1,NULL);
CREATE TABLE stored_file (
	id INTEGER NOT NULL, 
	content VARCHAR NOT NULL, 
	media_type VARCHAR NOT NULL, 
	size_bytes INTEGER NOT NULL, 
	width_px INTEGER, 
	height_px INTEGER, 
	added_at DATETIME NOT NULL, 
	CONSTRAINT pk_stored_file PRIMARY KEY (id), 
	CONSTRAINT uq_stored_file_content UNIQUE (content)
);
INSERT INTO "stored_file" VALUES(1,'b0a784a5f74d6366962c1e0b8f67beb6ba9e302dcd3440c9ae4d92972e2d7564','image/jpeg',23,40,30,'2026-11-28 18:59:12.000000');
CREATE TABLE symptom (
	id INTEGER NOT NULL, 
	name VARCHAR NOT NULL, 
	name_key VARCHAR NOT NULL, 
	synonyms JSON NOT NULL, 
	how VARCHAR NOT NULL, 
	minutes FLOAT NOT NULL, 
	version INTEGER NOT NULL, binned_at DATETIME, 
	CONSTRAINT pk_symptom PRIMARY KEY (id), 
	CONSTRAINT uq_symptom_name_key UNIQUE (name_key)
);
INSERT INTO "symptom" VALUES(1,'dead','dead','["no power", "won''t turn on", "does not turn on", "will not switch on", "no sign of life", "nothing happens", "totally dead", "not powering on", "no life"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(2,'does not work','does not work','["not working", "does not function", "no longer works", "stopped working", "out of order"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(3,'standby light on but will not start','standby light on but will not start','["stuck in standby", "standby led on no start", "red light only", "stays in standby"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(4,'no standby light','no standby light','["standby led off", "no led", "no light at all"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(5,'standby light blinks','standby light blinks','["standby led flashing", "blinking led", "flashing light", "error blink code"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(6,'starts then shuts down','starts then shuts down','["turns off after a few seconds", "switches itself off", "shuts off", "cuts out", "goes off again"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(7,'starts only after several tries','starts only after several tries','["hard to start", "needs several attempts", "slow to start", "starts after a while"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(8,'starts only when warm','starts only when warm','["works once warmed up", "cold start problem", "will not start cold", "starts with a hair dryer"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(9,'fails when warm','fails when warm','["stops when hot", "fails after warming up", "dies after an hour"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(10,'restarts by itself','restarts by itself','["reboots", "resets itself", "boot loop", "keeps restarting", "power cycling"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(11,'does not boot','does not boot','["will not boot", "won''t boot", "not booting", "stuck at the logo", "hangs at boot"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(12,'freezes','freezes','["locks up", "keeps freezing", "crashes", "hangs up"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(13,'relay clicks repeatedly','relay clicks repeatedly','["relay ticking", "relay ticks", "relay chatter", "clicking", "relay keeps clicking"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(14,'relay clicks once','relay clicks once','["clicks once", "one click", "single click"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(15,'relay does not click','relay does not click','["no relay click", "relay silent", "no click"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(16,'trips the mains breaker','trips the mains breaker','["trips the breaker", "blows house fuse", "breaker goes off"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(17,'trips the residual-current device','trips the residual-current device','["trips rcd", "residual current trip", "trips the earth leakage breaker"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(18,'tingle from the case','tingle from the case','["shock from the case", "case is live", "tingling metal"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(19,'works unloaded but not in the set','works unloaded but not in the set','["fine on the bench", "fails under load", "collapses under load", "drops under load", "drops out under load"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(20,'intermittent','intermittent','["sometimes works", "comes and goes", "works on and off", "erratic", "random fault"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(21,'responds to tapping or flexing','responds to tapping or flexing','["works when tapped", "bang on it", "works when pressed", "loose connection"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(22,'no picture','no picture','["black screen", "dark screen", "stays dark", "screen stays black", "no display", "no image"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(23,'sound but no picture','sound but no picture','["audio no video", "sound ok no picture"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(24,'sound distorted','sound distorted','["distorted sound", "rough sound"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(25,'picture but no sound','picture but no sound','["no sound", "no audio", "silent"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(26,'one channel silent','one channel silent','["one channel dead", "left channel dead", "right channel dead", "sound on one side only"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(27,'backlight off','backlight off','["no backlight", "no led backlight", "picture visible with a torch", "backlight dead", "faint picture with torch"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(28,'backlight goes off after seconds','backlight goes off after seconds','["backlight shuts down", "picture for two seconds then dark", "two seconds to black", "light comes on then off"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(29,'backlight flickers','backlight flickers','["flickering screen", "screen flicker", "picture flickers", "flickering"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(30,'dim picture','dim picture','["dark picture", "low brightness", "too dim"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(31,'uneven backlight','uneven backlight','["dark patches", "half the screen dark", "one side dark"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(32,'lines or bars in the picture','lines or bars in the picture','["hum bars", "rolling bars", "wavy picture", "interference lines", "stripes"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(33,'display shows garbage','display shows garbage','["wrong characters", "scrambled display", "missing segments", "gibberish"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(34,'display dim or fading','display dim or fading','["faint display", "display fading"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(35,'buttons do not respond','buttons do not respond','["keys dead", "touch does not react", "keypad dead", "no response to buttons"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(36,'buttons press themselves','buttons press themselves','["ghost presses", "keys stuck", "menu opens by itself"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(37,'error code shown','error code shown','["fault code", "shows an error", "error message"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(38,'clock or settings lost','clock or settings lost','["forgets settings", "loses time", "memory lost"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(39,'motor does not run','motor does not run','["motor dead", "drum does not turn", "pump does not run"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(40,'motor runs weak or jerky','motor runs weak or jerky','["stutters", "motor stutters", "runs rough", "slow motor"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(41,'heater does not heat','heater does not heat','["no heat", "stays cold", "does not heat"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(42,'heats all the time','heats all the time','["will not stop heating", "overheats food", "heater stuck on"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(43,'fan runs but nothing else','fan runs but nothing else','["fan only", "fan noise only", "only fan spins"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(44,'fan at full speed','fan at full speed','["fan always on full", "fan roars"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(45,'fan does not run','fan does not run','["fan stopped", "fan dead"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(46,'does not hold charge','does not hold charge','["battery runs flat", "empty after an hour"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(47,'no communication','no communication','["no link", "not found on the network", "no data"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(48,'does not turn off','does not turn off','["will not switch off", "stays on"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(49,'does not charge','does not charge','["no charging", "battery not charging", "charge light off"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(50,'hum from speakers','hum from speakers','["buzz in sound", "humming sound", "mains hum", "hum"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(51,'high-pitched whine','high-pitched whine','["whistle", "coil whine", "squealing", "squeal", "whining noise"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(52,'ticking or chirping noise','ticking or chirping noise','["chirping", "chirps", "ticking noise", "ticking supply", "tick tick"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(53,'buzzing from the board','buzzing from the board','["buzz", "buzzing", "rattling transformer"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(54,'bang heard','bang heard','["loud pop", "popped", "exploded", "went bang"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(55,'arcing or sparks','arcing or sparks','["sparks", "arcing", "cracking noise", "crackling"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(56,'smoke seen','smoke seen','["smoking", "smoke", "magic smoke"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(57,'burnt smell','burnt smell','["burning smell", "smells burnt", "smell of burning"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(58,'failed after a power cut or storm','failed after a power cut or storm','["lightning", "thunderstorm", "power surge", "after power cut", "surge"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(59,'failed after a spill or damp','failed after a spill or damp','["water damage", "got wet", "liquid spill", "salt water", "condensation"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(60,'failed after earlier repair','failed after earlier repair','["repaired before", "previous repair", "someone was in here before"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(61,'dropped or mechanical damage','dropped or mechanical damage','["fell down", "dropped", "knocked over"]','told',1.0,1,NULL);
INSERT INTO "symptom" VALUES(62,'bulging capacitor','bulging capacitor','["bulged cap", "swollen capacitor", "domed capacitor", "domed top", "vented cap", "blown cap", "puffed cap"]','look',2.0,1,NULL);
INSERT INTO "symptom" VALUES(63,'leaking capacitor','leaking capacitor','["electrolyte leak", "brown goo under capacitor", "capacitor leaked", "fishy smell"]','look',2.0,1,NULL);
INSERT INTO "symptom" VALUES(64,'cracked solder joint seen','cracked solder joint seen','["dry joint", "ring crack", "cold joint", "cracked joint"]','look',2.0,1,NULL);
INSERT INTO "symptom" VALUES(65,'burnt part seen','burnt part seen','["charred part", "scorched", "burn mark", "burnt resistor", "burnt component"]','look',2.0,1,NULL);
INSERT INTO "symptom" VALUES(66,'discoloured board','discoloured board','["brown board", "heat darkened board", "overheated area"]','look',2.0,1,NULL);
INSERT INTO "symptom" VALUES(67,'corrosion on the board','corrosion on the board','["green corrosion", "verdigris", "corroded tracks", "rust", "salt crust"]','look',2.0,1,NULL);
INSERT INTO "symptom" VALUES(68,'cracked part seen','cracked part seen','["cracked ic", "hole in ic", "ic blown apart", "split case"]','look',2.0,1,NULL);
INSERT INTO "symptom" VALUES(69,'damaged track or via','damaged track or via','["track lifted", "open track", "burnt trace"]','look',2.0,1,NULL);
INSERT INTO "symptom" VALUES(70,'insects or dirt inside','insects or dirt inside','["dust", "full of dust", "bugs inside", "grease"]','look',2.0,1,NULL);
INSERT INTO "symptom" VALUES(71,'fuse blown','fuse blown','["fuse open", "blown fuse", "dead fuse", "fuse gone", "fuse has gone"]','unpowered check',1.0,1,NULL);
INSERT INTO "symptom" VALUES(72,'fuse blows again when replaced','fuse blows again when replaced','["blows fuses", "new fuse blows", "keeps blowing fuses"]','unpowered check',3.0,1,NULL);
INSERT INTO "symptom" VALUES(73,'varistor burnt or cracked','varistor burnt or cracked','["varistor exploded", "mov burnt", "cracked varistor"]','look',2.0,1,NULL);
INSERT INTO "symptom" VALUES(74,'mains rectifier shorted','mains rectifier shorted','["bridge shorted", "bridge rectifier short"]','unpowered check',2.0,1,NULL);
INSERT INTO "symptom" VALUES(75,'main switch shorted','main switch shorted','["primary mosfet shorted", "main fet short", "drain source short", "switching transistor shorted"]','unpowered check',2.0,1,NULL);
INSERT INTO "symptom" VALUES(76,'power factor switch shorted','power factor switch shorted','["pfc mosfet shorted", "pfc fet short"]','unpowered check',2.0,1,NULL);
INSERT INTO "symptom" VALUES(77,'current sense resistor open','current sense resistor open','["source resistor open", "shunt open"]','unpowered check',2.0,1,NULL);
INSERT INTO "symptom" VALUES(78,'inrush limiter open','inrush limiter open','["ntc open", "thermistor open"]','unpowered check',2.0,1,NULL);
INSERT INTO "symptom" VALUES(79,'bulk capacitor low or open','bulk capacitor low or open','["main capacitor dried out", "bulk capacitor weak"]','unpowered check',5.0,1,NULL);
INSERT INTO "symptom" VALUES(80,'standby rail shorted to ground','standby rail shorted to ground','["5v standby shorted", "short on standby"]','unpowered check',1.0,1,NULL);
INSERT INTO "symptom" VALUES(81,'output rail shorted to ground','output rail shorted to ground','["short on output", "output shorted", "rail shorted"]','unpowered check',2.0,1,NULL);
INSERT INTO "symptom" VALUES(82,'output rectifier shorted','output rectifier shorted','["schottky shorted", "secondary diode shorted"]','unpowered check',2.0,1,NULL);
INSERT INTO "symptom" VALUES(83,'high ESR found','high esr found','["high esr", "esr high", "bad esr"]','unpowered check',5.0,1,NULL);
INSERT INTO "symptom" VALUES(84,'start-up resistor open','start-up resistor open','["startup resistor open", "kick-start resistor open"]','unpowered check',2.0,1,NULL);
INSERT INTO "symptom" VALUES(85,'bulk voltage missing','bulk voltage missing','["no bulk voltage", "no 300v", "no 310v", "no 320v", "no 325v", "no 385v", "no primary dc", "0 v on bulk capacitor"]','powered check',4.0,1,NULL);
INSERT INTO "symptom" VALUES(86,'bulk voltage stays after unplugging','bulk voltage stays after unplugging','["bulk stays charged", "bulk capacitor stays charged"]','powered check',4.0,1,NULL);
INSERT INTO "symptom" VALUES(87,'bulk voltage too high','bulk voltage too high','["bulk over 400 v", "bulk too high"]','powered check',4.0,1,NULL);
INSERT INTO "symptom" VALUES(88,'power factor stage does not boost','power factor stage does not boost','["pfc not working", "bulk stays at 320 v", "no pfc boost"]','powered check',4.0,1,NULL);
INSERT INTO "symptom" VALUES(89,'no standby voltage','no standby voltage','["standby rail missing", "no 5v standby", "5vsb missing", "no 5vsb"]','powered check',4.0,1,NULL);
INSERT INTO "symptom" VALUES(90,'standby voltage low','standby voltage low','["low 5v standby", "5vsb low", "low standby"]','powered check',4.0,1,NULL);
INSERT INTO "symptom" VALUES(91,'all outputs missing','all outputs missing','["no output voltage", "no output", "no voltages", "no secondary voltages"]','powered check',4.0,1,NULL);
INSERT INTO "symptom" VALUES(92,'one output missing','one output missing','["one rail missing", "no 12v", "no 24v", "missing rail"]','powered check',4.0,1,NULL);
INSERT INTO "symptom" VALUES(93,'more than one output missing','more than one output missing','["several rails missing", "two rails missing", "no 12v and no 24v", "no 12v no 24v"]','powered check',4.0,1,NULL);
INSERT INTO "symptom" VALUES(94,'output voltage low','output voltage low','["low output", "voltage drops", "low voltage"]','powered check',4.0,1,NULL);
INSERT INTO "symptom" VALUES(95,'output voltage high','output voltage high','["over-voltage", "overvoltage", "high output", "output too high"]','powered check',4.0,1,NULL);
INSERT INTO "symptom" VALUES(96,'output drifts with heat','output drifts with heat','["voltage drifts", "drifts when warm"]','powered check',4.0,1,NULL);
INSERT INTO "symptom" VALUES(97,'hiccup','hiccup','["cycling", "pulsing output", "tries to start", "pumping", "keeps trying to start"]','powered check',4.0,1,NULL);
INSERT INTO "symptom" VALUES(98,'high ripple','high ripple','["ripple", "noisy supply", "excessive ripple"]','powered check',4.0,1,NULL);
INSERT INTO "symptom" VALUES(99,'enable line missing','enable line missing','["no power-on signal", "no enable", "ps-on missing"]','powered check',4.0,1,NULL);
INSERT INTO "symptom" VALUES(100,'controller supply missing','controller supply missing','["no vcc", "vcc cycling", "vcc pulsing", "vcc low", "vcc missing", "no controller supply"]','powered check',4.0,1,NULL);
INSERT INTO "symptom" VALUES(101,'part too hot to touch','part too hot to touch','["runs hot", "overheating", "gets very hot", "hot part"]','powered check',4.0,1,NULL);
INSERT INTO "symptom" VALUES(102,'hums at night','hums at night','["night hum"]','told',2.0,1,NULL);
CREATE INDEX ix_history_entity_key ON history (entity, "key");
CREATE INDEX ix_board_case_closed ON board_case (closed);
CREATE INDEX ix_board_case_received ON board_case (received);
CREATE INDEX ix_family_connector_family_id ON family_connector (family_id);
CREATE INDEX ix_family_number_family_id ON family_number (family_id);
CREATE INDEX ix_family_rail_family_id ON family_rail (family_id);
CREATE INDEX ix_case_attempt_case_id ON case_attempt (case_id);
CREATE INDEX ix_case_attempt_part_class_id ON case_attempt (part_class_id);
CREATE INDEX ix_case_follow_up_case_id ON case_follow_up (case_id);
CREATE INDEX ix_case_reading_case_id ON case_reading (case_id);
CREATE INDEX ix_case_symptom_case_id ON case_symptom (case_id);
CREATE INDEX ix_case_symptom_symptom_id ON case_symptom (symptom_id);
CREATE INDEX ix_bench_run_family_id ON bench_run (family_id);
CREATE INDEX ix_bench_run_case_id ON bench_run (case_id);
CREATE INDEX ix_bench_run_state ON bench_run (state);
CREATE INDEX ix_bench_run_changed_at ON bench_run (changed_at);
CREATE INDEX ix_bench_entry_run_id ON bench_entry (run_id);
CREATE INDEX ix_customer_report_case_id ON customer_report (case_id);
CREATE INDEX ix_person_level ON person (level);
CREATE INDEX ix_person_session_person_id ON person_session (person_id);
CREATE INDEX ix_person_session_prior_hash ON person_session (prior_hash);
CREATE INDEX ix_person_token_person_id ON person_token (person_id);
CREATE INDEX ix_failed_sign_in_last_at ON failed_sign_in (last_at);
CREATE INDEX ix_audit_entry_at ON audit_entry (at);
CREATE INDEX ix_audit_entry_event ON audit_entry (event);
CREATE INDEX ix_change_entity_key_batch ON change (entity, "key", batch);
CREATE INDEX ix_case_file_case_id_position ON case_file (case_id, position);
CREATE INDEX ix_case_file_stored_file_id ON case_file (stored_file_id);
CREATE INDEX ix_board_case_family_id_day ON board_case (family_id, day, id);
CREATE INDEX ix_case_attempt_fix ON case_attempt (family_id, part_class_id, section, day, case_id);
CREATE INDEX ix_change_entity_seq ON change (entity, seq);
CREATE INDEX ix_change_who_seq ON change (who, seq);
CREATE INDEX ix_change_batch_seq ON change (batch, seq);
CREATE INDEX ix_board_case_day ON board_case (day, id) WHERE binned_at IS NULL;
CREATE INDEX ix_board_case_own_day ON board_case (day, id) WHERE binned_at IS NULL AND origin_id IS NULL;
CREATE INDEX ix_board_case_open_day ON board_case (day, id) WHERE verdict IS NULL AND binned_at IS NULL AND origin_id IS NULL;
CREATE INDEX ix_board_case_open_worker ON board_case (worker, day, id) WHERE verdict IS NULL AND binned_at IS NULL AND origin_id IS NULL;
CREATE INDEX ix_board_case_waiting ON board_case (waiting_since, id, worker) WHERE verdict IS NULL AND binned_at IS NULL AND origin_id IS NULL AND waiting_for <> '';
CREATE INDEX ix_board_case_binned_at ON board_case (binned_at, id) WHERE binned_at IS NOT NULL;
CREATE INDEX ix_board_case_binned_day ON board_case (day, id) WHERE binned_at IS NOT NULL;
CREATE INDEX ix_board_case_others ON board_case (origin_id, binned_at) WHERE origin_id IS NOT NULL;
CREATE INDEX ix_case_follow_up_came_back ON case_follow_up (date, id) WHERE state <> 'still working';
CREATE INDEX ix_bench_run_under_way ON bench_run (id) WHERE finished_at IS NULL;
CREATE INDEX ix_case_total_most ON case_total (what, family_id, cases);
CREATE INDEX ix_sent_once_at ON sent_once (at);
CREATE INDEX ix_board_picture_family_id ON board_picture (family_id, id);
CREATE INDEX ix_board_picture_content ON board_picture (content);
CREATE INDEX ix_board_picture_stored_file_id ON board_picture (stored_file_id);
CREATE INDEX ix_board_pin_picture_id_label_key ON board_pin (picture_id, label_key);
CREATE INDEX ix_board_case_customer ON board_case (customer, day, id) WHERE binned_at IS NULL;
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('change',16);
INSERT INTO "sqlite_sequence" VALUES('audit_entry',1);
COMMIT;
