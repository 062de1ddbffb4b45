BEGIN TRANSACTION;
CREATE TABLE anchor (
        id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL, file TEXT NOT NULL, written_at TEXT NOT NULL);
INSERT INTO "anchor" VALUES(1,'eeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeee','lid_view_eeeeeeeeeeee.npz','2026-03-08T09:00:00+00:00');
CREATE TABLE dating (
        id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL REFERENCES photo, date TEXT NOT NULL, written_at TEXT NOT NULL);
CREATE TABLE entry (
        id INTEGER PRIMARY KEY, date TEXT NOT NULL, site TEXT NOT NULL, seedlings INTEGER NOT NULL, tissue_cm2 REAL,
        yellow_pct REAL, dry_pct REAL, source TEXT NOT NULL, written_at TEXT NOT NULL);
INSERT INTO "entry" VALUES(1,'2026-03-07','B1',1,NULL,NULL,NULL,'hand.csv','2026-03-08T09:00:00+00:00');
CREATE TABLE fix (
        id INTEGER PRIMARY KEY, date TEXT NOT NULL, site TEXT NOT NULL, withdrawn INTEGER NOT NULL,
        status TEXT, seedlings INTEGER, tissue_cm2 REAL, yellow_pct REAL, dry_pct REAL,
        comment TEXT NOT NULL, written_at TEXT NOT NULL);
INSERT INTO "fix" VALUES(1,'2026-03-07','B2',0,NULL,2,NULL,NULL,NULL,'','2026-03-08T09:00:00+00:00');
CREATE TABLE grow (
        sown TEXT NOT NULL, reservoir_litres REAL, temperature_c REAL, written_at TEXT NOT NULL);
INSERT INTO "grow" VALUES('2026-03-01',NULL,NULL,'2026-03-08T09:00:00+00:00');
CREATE TABLE label (
        key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE note (
        id INTEGER PRIMARY KEY, kind TEXT NOT NULL, moment TEXT NOT NULL, site TEXT NOT NULL, to_site TEXT NOT NULL,
        amount REAL, unit TEXT NOT NULL, crop TEXT, seeds INTEGER, comment TEXT NOT NULL, written_at TEXT NOT NULL);
INSERT INTO "note" VALUES(1,'move','2026-03-05T00:00:00','A1','A2',NULL,'',NULL,NULL,'','2026-03-08T09:00:00+00:00');
INSERT INTO "note" VALUES(2,'topup','2026-03-06T00:00:00','','',0.5,'l',NULL,NULL,'','2026-03-08T09:00:00+00:00');
CREATE TABLE photo (
        sha256 TEXT PRIMARY KEY, path TEXT NOT NULL, taken_at TEXT NOT NULL, width_px INTEGER NOT NULL,
        height_px INTEGER NOT NULL, written_at TEXT NOT NULL);
INSERT INTO "photo" VALUES('269216f8cf9d95f2a2736495386d91e14d8a05fda76aa2222c2631aa0261f516','day03.jpg','2026-03-04T08:00:00',400,300,'2026-03-08T09:00:00+00:00');
INSERT INTO "photo" VALUES('18b5fac9217977f4754bd8795259be32c2ca40fd67a29510a127fa82fa9cd070','day06.jpg','2026-03-07T08:00:00',400,300,'2026-03-08T09:00:00+00:00');
CREATE TABLE reading (
        survey INTEGER NOT NULL REFERENCES survey, place INTEGER NOT NULL, site TEXT NOT NULL, u_px REAL, v_px REAL,
        status TEXT, p_sprouted REAL, seedlings INTEGER, seedlings_low INTEGER, seedlings_high INTEGER,
        tissue_cm2 REAL, cover_pct REAL, yellow_pct REAL, dry_pct REAL, algae TEXT, flags TEXT, fit_mm REAL,
        fit_by TEXT, PRIMARY KEY (survey, site));
INSERT INTO "reading" VALUES(1,0,'A1',10.0,20.0,'empty',0.02,0,0,0,0.0,0.0,NULL,NULL,'no','',0.4,'holes');
INSERT INTO "reading" VALUES(1,1,'A2',10.0,20.0,'empty',0.02,0,0,0,0.0,0.0,NULL,NULL,'no','',0.4,'holes');
INSERT INTO "reading" VALUES(1,2,'A3',10.0,20.0,'empty',0.02,0,0,0,0.0,0.0,NULL,NULL,'no','',0.4,'holes');
INSERT INTO "reading" VALUES(1,3,'B1',10.0,20.0,'empty',0.02,0,0,0,0.0,0.0,NULL,NULL,'no','',0.4,'holes');
INSERT INTO "reading" VALUES(1,4,'B2',10.0,20.0,'empty',0.02,0,0,0,0.0,0.0,NULL,NULL,'no','',0.4,'holes');
INSERT INTO "reading" VALUES(1,5,'B3',10.0,20.0,'empty',0.02,0,0,0,0.0,0.0,NULL,NULL,'no','',0.4,'holes');
INSERT INTO "reading" VALUES(2,0,'A1',10.0,20.0,'empty',0.02,0,0,0,0.0,0.0,NULL,NULL,'no','',0.4,'holes');
INSERT INTO "reading" VALUES(2,1,'A2',10.0,20.0,'sprouted',0.97,1,1,1,0.4,1.11111111111111116045e+00,0.0,0.0,'no','',0.4,'holes');
INSERT INTO "reading" VALUES(2,2,'A3',10.0,20.0,'empty',0.02,0,0,0,0.0,0.0,NULL,NULL,'no','',0.4,'holes');
INSERT INTO "reading" VALUES(2,3,'B1',10.0,20.0,'empty',0.02,0,0,0,0.0,0.0,NULL,NULL,'no','',0.4,'holes');
INSERT INTO "reading" VALUES(2,4,'B2',10.0,20.0,'empty',0.02,0,0,0,0.0,0.0,NULL,NULL,'no','',0.4,'holes');
INSERT INTO "reading" VALUES(2,5,'B3',10.0,20.0,'empty',0.02,0,0,0,0.0,0.0,NULL,NULL,'no','',0.4,'holes');
CREATE TABLE sowing (
        place INTEGER PRIMARY KEY, site TEXT NOT NULL UNIQUE, crop TEXT NOT NULL, seeds INTEGER NOT NULL);
INSERT INTO "sowing" VALUES(0,'A1','basil',2);
INSERT INTO "sowing" VALUES(2,'A3','basil',2);
INSERT INTO "sowing" VALUES(3,'B1','basil',2);
INSERT INTO "sowing" VALUES(4,'B2','basil',2);
INSERT INTO "sowing" VALUES(5,'B3','basil',2);
CREATE TABLE survey (
        id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL REFERENCES photo, settings TEXT NOT NULL, version TEXT NOT NULL,
        anchor TEXT NOT NULL, reason TEXT NOT NULL, view TEXT NOT NULL, view_x_mm REAL, view_y_mm REAL,
        view_px_per_mm REAL, written_at TEXT NOT NULL);
INSERT INTO "survey" VALUES(1,'269216f8cf9d95f2a2736495386d91e14d8a05fda76aa2222c2631aa0261f516','0123456789ab','0.1.0','eeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeee','','views/269216f8cf9d95f2-012345.jpg',-30.0,-30.0,0.5,'2026-03-08T09:00:00+00:00');
INSERT INTO "survey" VALUES(2,'18b5fac9217977f4754bd8795259be32c2ca40fd67a29510a127fa82fa9cd070','0123456789ab','0.1.0','eeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeee','','views/18b5fac9217977f4-012345.jpg',-30.0,-30.0,0.5,'2026-03-08T09:00:00+00:00');
CREATE TABLE withdrawal (
        note INTEGER PRIMARY KEY REFERENCES note, written_at TEXT NOT NULL);
CREATE VIEW dated AS
        SELECT p.*, coalesce(d.date, substr(p.taken_at, 1, 10)) AS date,
            coalesce(d.date || 'T12:00:00', substr(p.taken_at, 1, 19)) AS moment
        FROM photo p LEFT JOIN dating d ON d.id = (SELECT max(id) FROM dating WHERE sha256 = p.sha256);
CREATE INDEX survey_of_photo ON survey (sha256, settings);
COMMIT;
PRAGMA user_version = 1;
