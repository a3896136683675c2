PRAGMA application_id = 1464890228;
PRAGMA user_version = 1;
BEGIN TRANSACTION;
CREATE TABLE "alert" (
   "n" INTEGER PRIMARY KEY,
   "t" REAL,
   "place" INTEGER,
   "utc" TEXT,
   "change" TEXT,
   "rule" TEXT,
   "cause" TEXT,
   "causes" TEXT,
   "severity" TEXT,
   "stream" TEXT,
   "because_of" TEXT,
   "evidence" TEXT,
   "say" TEXT,
   "steps" TEXT,
   "alert" INTEGER,
   "shelved" INTEGER,
   "digest" BLOB
);
INSERT INTO "alert" VALUES(11,10.0,2,'2026-05-04T07:30:10.000Z','raised','corrections-stopped','line-silent','[{"cause":"line-silent","residual_m":null}]','stop','corrections',NULL,'{"silent_s":5.0}','No corrections.','["Look at the antenna."]',1,0,X'22723F146CDDCBACDDA94558B048CE98');
CREATE TABLE "clock" (
   "t" REAL,
   "utc" TEXT,
   "source" TEXT,
   "stream" TEXT,
   "spread_s" REAL
);
INSERT INTO "clock" VALUES(0.0,'2026-05-04T07:30:00.000Z','ZDA','receiver',0.0);
INSERT INTO "clock" VALUES(5.0,'2026-05-04T07:30:05.000Z','ZDA','receiver',0.0);
CREATE TABLE "event" (
   "n" INTEGER PRIMARY KEY,
   "t" REAL,
   "place" INTEGER,
   "kind" TEXT,
   "stream" TEXT,
   "input" INTEGER,
   "detail" TEXT,
   "digest" BLOB
);
INSERT INTO "event" VALUES(1,0.0,0,'log-started','',0,'{"file":"kestrel-base.0001.db","previous_file":null,"previous_ended":"there is none"}',X'B61694138B9D0571AFF2FFD5F460C56B');
INSERT INTO "event" VALUES(4,2.5,2,'planned','',1,'{"for_s":60.0,"why":"battery"}',X'428A61B77287172B3BB1027D49D61105');
INSERT INTO "event" VALUES(14,12.0,0,'log-closed','',0,'{"how":"stopped"}',X'0019B8D676378BEF834723DAD7265433');
CREATE TABLE "fix" (
   "t" REAL,
   "stream" TEXT,
   "time_s" REAL,
   "quality" INTEGER,
   "latitude" REAL,
   "longitude" REAL,
   "height_m" REAL,
   "separation_m" REAL,
   "satellites" INTEGER,
   "hdop" REAL,
   "age_s" REAL,
   "station_id" INTEGER,
   "sigma_east_m" REAL,
   "sigma_north_m" REAL,
   "sigma_up_m" REAL
);
CREATE TABLE "raw" (
   "n" INTEGER PRIMARY KEY,
   "stream" TEXT,
   "t" REAL,
   "t_last" REAL,
   "chunks" INTEGER,
   "pause_t" REAL,
   "pause_s" REAL,
   "data" BLOB,
   "times" BLOB,
   "digest" BLOB
);
INSERT INTO "raw" VALUES(2,'corrections',0.0,2.5,6,NULL,NULL,X'D300020000000000D300020101010101D300020202020202D300020303030303D300020404040404D300020505050505',X'9B3C8DE12CE31764348D910104A671800100',X'DE392801D37089A90EF20DEE85586843');
INSERT INTO "raw" VALUES(3,'receiver',0.0,2.5,6,NULL,NULL,X'24474E5A44412C30302A30300D0A24474E5A44412C30312A30300D0A24474E5A44412C30322A30300D0A24474E5A44412C30332A30300D0A24474E5A44412C30342A30300D0A24474E5A44412C30352A30300D0A',X'9B3C8DE12CE31764348D891104A6F1810100',X'442E0049A566D50ADFD4FBD4A10FC3FF');
INSERT INTO "raw" VALUES(5,'corrections',3.0,4.5,4,NULL,NULL,X'D300020606060606D300020707070707D300020808080808D300020909090909',X'9B3C85E12CE317089A3085030800',X'A2D3C64B24B0A4280D6A40EA01D018DF');
INSERT INTO "raw" VALUES(6,'receiver',3.0,4.5,4,NULL,NULL,X'24474E5A44412C30362A30300D0A24474E5A44412C30372A30300D0A24474E5A44412C30382A30300D0A24474E5A44412C30392A30300D0A',X'9B3C85E12CE317089AC2080453F8800000',X'FB850AE2A6B3FE36C2B33AD62D400BA3');
INSERT INTO "raw" VALUES(7,'corrections',5.0,9.0,9,NULL,NULL,X'D300020A0A0A0A0AD300020B0B0B0B0BD300020C0C0C0C0CD300020D0D0D0D0DD300020E0E0E0E0ED300020F0F0F0F0FD300021010101010D300021111111111D300021212121212',X'9B3C93E12CE317AC68C24C0E180000',X'F8F3B53FF89B4D160CCFDC1F338E1C63');
INSERT INTO "raw" VALUES(8,'receiver',5.0,9.0,9,NULL,NULL,X'24474E5A44412C31302A30300D0A24474E5A44412C31312A30300D0A24474E5A44412C31322A30300D0A24474E5A44412C31332A30300D0A24474E5A44412C31342A30300D0A24474E5A44412C31352A30300D0A24474E5A44412C31362A30300D0A24474E5A44412C31372A30300D0A24474E5A44412C31382A30300D0A',X'9B3C93E12CE317AC6826230CCCE4830100',X'5C9AC81699A3C5F7226B324FAD3AF3F7');
INSERT INTO "raw" VALUES(9,'corrections',9.5,10.0,2,NULL,NULL,X'D300021313131313D300021414141414',X'9B3C89E12CE3970993383800',X'AC529F68653CD70A5625AA8AF22D3E9D');
INSERT INTO "raw" VALUES(10,'receiver',9.5,10.0,2,NULL,NULL,X'24474E5A44412C31392A30300D0A24474E5A44412C32302A30300D0A',X'9B3C89E12CE397498C8C93F8F800',X'BEFB2F1B5FEC49728C660C13C505FB7C');
INSERT INTO "raw" VALUES(12,'corrections',10.5,11.5,3,NULL,NULL,X'D300021515151515D300021616161616D300021717171717',X'9B3C99E12CE317209A309983830300',X'2F119E75B174025A24A3C6CA79270ADA');
INSERT INTO "raw" VALUES(13,'receiver',10.5,11.5,3,NULL,NULL,X'24474E5A44412C32312A30300D0A24474E5A44412C32322A30300D0A24474E5A44412C32332A30300D0A',X'9B3C99E12CE317209ACCC8C838998F8F0F00',X'7420807672A189CBDE1C7A25F6FC5828');
CREATE TABLE "run" (
   "number" INTEGER PRIMARY KEY,
   "name" TEXT,
   "role" TEXT,
   "begun_at_t" REAL,
   "first_n" INTEGER,
   "system_utc" TEXT,
   "boot" TEXT,
   "site_toml" TEXT,
   "site_path" TEXT,
   "program" TEXT,
   "sqlite" TEXT,
   "previous_file" TEXT,
   "previous_digest" BLOB,
   "digest" BLOB
);
INSERT INTO "run" VALUES(1,'kestrel-base','base',0.0,1,'2026-11-25T13:00:36Z','','[post]
name="kestrel-base"
role="base"
[[stream]]
name="corrections"
port="loop://"
carries=["corrections"]
[[stream]]
name="receiver"
port="loop://1"
carries=["positions"]
','','0.1.0','3.40.1',NULL,NULL,X'4F323346B60AB2EEC9EF4482DAC25EF9');
CREATE TABLE "station" (
   "t" REAL,
   "stream" TEXT,
   "station_id" INTEGER,
   "message" TEXT,
   "x_m" REAL,
   "y_m" REAL,
   "z_m" REAL,
   "antenna_height_m" REAL,
   "itrf_year" INTEGER,
   "antenna" TEXT,
   "serial" TEXT,
   "receiver" TEXT
);
INSERT INTO "station" VALUES(1.5,'corrections',417,'1005',-1280907.7,-4787123.4,4003204.1,NULL,0,NULL,NULL,NULL);
CREATE TABLE "stream" (
   "name" TEXT PRIMARY KEY,
   "port" TEXT,
   "baud" INTEGER,
   "carries" TEXT
);
INSERT INTO "stream" VALUES('corrections','loop://',38400,'corrections');
INSERT INTO "stream" VALUES('receiver','loop://1',38400,'positions');
CREATE TABLE "traffic" (
   "t" REAL,
   "stream" TEXT,
   "message" TEXT,
   "station" INTEGER,
   "frames" INTEGER,
   "bytes" INTEGER,
   "bad" INTEGER
);
CREATE VIEW "alerts" AS 
        SELECT raised.alert, coalesce(raised.utc, coalesce(
            (SELECT strftime('%Y-%m-%dT%H:%M:%fZ', c.utc, printf('%+.3f seconds', raised.t - c.t)) FROM clock AS c WHERE c.t <= raised.t ORDER BY c.t DESC LIMIT 1),
            (SELECT strftime('%Y-%m-%dT%H:%M:%fZ', c.utc, printf('%+.3f seconds', raised.t - c.t)) FROM clock AS c WHERE c.t > raised.t ORDER BY c.t LIMIT 1))) AS raised_utc, raised.t AS raised_t,
            raised.severity, raised.rule, raised.cause, raised.say, raised.because_of, raised.stream,
            (SELECT group_concat(value, ' / ') FROM json_each(raised.steps)) AS steps,
            (SELECT min(t) FROM alert AS later WHERE later.alert = raised.alert AND later.n > raised.n
                AND later.change IN ('normal', 'cleared')) - raised.t AS lasted_s,
            (SELECT min(t) FROM alert AS later WHERE later.alert = raised.alert AND later.n > raised.n
                AND later.change = 'acknowledged') - raised.t AS acknowledged_after_s
        FROM alert AS raised WHERE raised.change = 'raised' ORDER BY raised.n;
CREATE VIEW "fix_minutes" AS 
        SELECT stream, quality, CASE quality WHEN 0 THEN 'no position' WHEN 1 THEN 'autonomous' WHEN 2 THEN 'differential'
    WHEN 4 THEN 'RTK fixed' WHEN 5 THEN 'RTK float' WHEN 6 THEN 'estimated' WHEN 7 THEN 'manual'
    WHEN 8 THEN 'simulator' ELSE 'not a fix' END AS fix, round(sum(lasts_s) / 60, 1) AS minutes, count(*) AS fixes
        FROM (SELECT stream, quality,
            min(5, coalesce(lead(t) OVER (PARTITION BY stream ORDER BY rowid) - t, 0)) AS lasts_s
            FROM fix)
        GROUP BY stream, quality ORDER BY stream, minutes DESC;
CREATE VIEW "base_coordinates" AS 
        SELECT *, coalesce(
            (SELECT strftime('%Y-%m-%dT%H:%M:%fZ', c.utc, printf('%+.3f seconds', first_t - c.t)) FROM clock AS c WHERE c.t <= first_t ORDER BY c.t DESC LIMIT 1),
            (SELECT strftime('%Y-%m-%dT%H:%M:%fZ', c.utc, printf('%+.3f seconds', first_t - c.t)) FROM clock AS c WHERE c.t > first_t ORDER BY c.t LIMIT 1)) AS first_utc, coalesce(
            (SELECT strftime('%Y-%m-%dT%H:%M:%fZ', c.utc, printf('%+.3f seconds', last_t - c.t)) FROM clock AS c WHERE c.t <= last_t ORDER BY c.t DESC LIMIT 1),
            (SELECT strftime('%Y-%m-%dT%H:%M:%fZ', c.utc, printf('%+.3f seconds', last_t - c.t)) FROM clock AS c WHERE c.t > last_t ORDER BY c.t LIMIT 1)) AS last_utc FROM (
            SELECT stream, station_id, x_m, y_m, z_m, antenna_height_m, min(t) AS first_t, max(t) AS last_t
            FROM station WHERE x_m IS NOT NULL
            GROUP BY stream, station_id, x_m, y_m, z_m, antenna_height_m) ORDER BY first_t;
CREATE VIEW "gaps" AS 
        SELECT stream, t, coalesce(
            (SELECT strftime('%Y-%m-%dT%H:%M:%fZ', c.utc, printf('%+.3f seconds', t - c.t)) FROM clock AS c WHERE c.t <= t ORDER BY c.t DESC LIMIT 1),
            (SELECT strftime('%Y-%m-%dT%H:%M:%fZ', c.utc, printf('%+.3f seconds', t - c.t)) FROM clock AS c WHERE c.t > t ORDER BY c.t LIMIT 1)) AS utc, seconds, lost_bytes, why FROM (
            SELECT stream, pause_t AS t, pause_s AS seconds, NULL AS lost_bytes, 'nothing came' AS why
            FROM raw WHERE pause_s IS NOT NULL
            UNION ALL
            SELECT stream.name, coalesce(heard.t, run.begun_at_t), ended.t - coalesce(heard.t, run.begun_at_t), NULL,
                CASE WHEN heard.t IS NULL THEN 'nothing ever came' ELSE 'nothing came up to the end' END
            FROM run, stream
            LEFT JOIN (SELECT stream, max(t_last) AS t FROM raw GROUP BY stream) AS heard ON heard.stream = stream.name
            JOIN (SELECT max(t) AS t FROM (SELECT max(t_last) AS t FROM raw UNION ALL SELECT max(t) FROM event
                UNION ALL SELECT max(t) FROM alert)) AS ended
            WHERE ended.t - coalesce(heard.t, run.begun_at_t) >= 2
            UNION ALL
            SELECT stream, t, json_extract(detail, '$.until_t') - t, json_extract(detail, '$.bytes'),
                'could not be written: ' || json_extract(detail, '$.why')
            FROM event WHERE kind = 'gap')
        ORDER BY t, stream;
CREATE VIEW "traffic_by_message" AS 
        SELECT stream, message, station, sum(frames) AS frames, sum(bytes) AS bytes, sum(bad) AS bad,
            min(t) AS first_t, max(t) + 10 AS last_t
        FROM traffic GROUP BY stream, message, station ORDER BY stream, bytes DESC;
COMMIT;
