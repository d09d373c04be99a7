-- state.db of version 1, as the code of that time made it, with two rows in each table.
BEGIN TRANSACTION;
CREATE TABLE alerts (
	id TEXT NOT NULL, 
	loop TEXT NOT NULL, 
	link TEXT NOT NULL, 
	state TEXT NOT NULL, 
	active BOOLEAN NOT NULL, 
	priority TEXT NOT NULL, 
	finding TEXT NOT NULL, 
	raised FLOAT NOT NULL, 
	returned FLOAT, 
	acknowledged FLOAT, 
	acknowledged_by TEXT NOT NULL, 
	shelved_until FLOAT, 
	shelved_by TEXT NOT NULL, 
	shelve_reason TEXT NOT NULL, 
	refinements_told INTEGER NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "alerts" VALUES('alerts id 1','TB-07','alerts link 1','alerts state 1',1,'alerts priority 1','alerts finding 1',1700000007.25,1700000008.25,1700000009.25,'alerts acknowledged_by 1',1700000011.25,'alerts shelved_by 1','alerts shelve_reason 1',14001);
INSERT INTO "alerts" VALUES('alerts id 2','TB-08','alerts link 2','alerts state 2',0,'alerts priority 2','alerts finding 2',1700000007.5,1700000008.5,1700000009.5,'alerts acknowledged_by 2',1700000011.5,'alerts shelved_by 2','alerts shelve_reason 2',14002);
CREATE TABLE events (
	id INTEGER NOT NULL, 
	time FLOAT NOT NULL, 
	loop TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	text TEXT NOT NULL, 
	old TEXT NOT NULL, 
	new TEXT NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "events" VALUES(1,1700000001.25,'TB-07','events kind 1','events text 1','events old 1','events new 1');
INSERT INTO "events" VALUES(2,1700000001.5,'TB-08','events kind 2','events text 2','events old 2','events new 2');
CREATE TABLE manifest (
	loop TEXT NOT NULL, 
	day INTEGER NOT NULL, 
	rows INTEGER NOT NULL, 
	first_s INTEGER NOT NULL, 
	last_s INTEGER NOT NULL, 
	sha256 TEXT NOT NULL, 
	PRIMARY KEY (loop, day)
);
INSERT INTO "manifest" VALUES('TB-07',1001,2001,3001,4001,'manifest sha256 1');
INSERT INTO "manifest" VALUES('TB-08',1002,2002,3002,4002,'manifest sha256 2');
CREATE TABLE outbox (
	id INTEGER NOT NULL, 
	"key" TEXT NOT NULL, 
	target TEXT NOT NULL, 
	alert TEXT NOT NULL, 
	message TEXT NOT NULL, 
	created FLOAT NOT NULL, 
	attempts INTEGER NOT NULL, 
	next_try FLOAT NOT NULL, 
	delivered FLOAT, 
	dead BOOLEAN NOT NULL, 
	error TEXT NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE ("key")
);
INSERT INTO "outbox" VALUES(1,'outbox key 1','outbox target 1','outbox alert 1','outbox message 1',1700000005.25,6001,1700000007.25,1700000008.25,1,'outbox error 1');
INSERT INTO "outbox" VALUES(2,'outbox key 2','outbox target 2','outbox alert 2','outbox message 2',1700000005.5,6002,1700000007.5,1700000008.5,0,'outbox error 2');
CREATE TABLE rollup_layouts (
	id INTEGER NOT NULL, 
	description TEXT NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (description)
);
INSERT INTO "rollup_layouts" VALUES(1,'rollup_layouts description 1');
INSERT INTO "rollup_layouts" VALUES(2,'rollup_layouts description 2');
CREATE TABLE rollups (
	loop TEXT NOT NULL, 
	length_s INTEGER NOT NULL, 
	start_s INTEGER NOT NULL, 
	layout INTEGER NOT NULL, 
	statistics BLOB NOT NULL, 
	PRIMARY KEY (loop, length_s, start_s)
)
 WITHOUT ROWID

;
INSERT INTO "rollups" VALUES('TB-07',1001,2001,3001,X'0401FF00');
INSERT INTO "rollups" VALUES('TB-08',1002,2002,3002,X'0402FF00');
CREATE TABLE schema_version (
	version INTEGER NOT NULL
);
INSERT INTO "schema_version" VALUES(1);
CREATE TABLE trackers (
	loop TEXT NOT NULL, 
	state TEXT NOT NULL, 
	PRIMARY KEY (loop)
);
INSERT INTO "trackers" VALUES('TB-07','trackers state 1');
INSERT INTO "trackers" VALUES('TB-08','trackers state 2');
CREATE TABLE transitions (
	id INTEGER NOT NULL, 
	time FLOAT NOT NULL, 
	alert TEXT NOT NULL, 
	old TEXT NOT NULL, 
	new TEXT NOT NULL, 
	"by" TEXT NOT NULL, 
	note TEXT NOT NULL, 
	message BOOLEAN NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "transitions" VALUES(1,1700000001.25,'transitions alert 1','transitions old 1','transitions new 1','transitions by 1','transitions note 1',1);
INSERT INTO "transitions" VALUES(2,1700000001.5,'transitions alert 2','transitions old 2','transitions new 2','transitions by 2','transitions note 2',0);
CREATE INDEX ix_events_time ON events (time);
CREATE INDEX ix_alerts_state ON alerts (state);
CREATE INDEX ix_alerts_raised ON alerts (raised);
CREATE INDEX ix_transitions_alert ON transitions (alert);
COMMIT;
