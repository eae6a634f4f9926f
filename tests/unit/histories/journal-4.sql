BEGIN TRANSACTION;
CREATE TABLE runs (
        id TEXT PRIMARY KEY,
        routine TEXT NOT NULL,
        script_version INTEGER NOT NULL,
        parameters TEXT NOT NULL,
        config_hash TEXT NOT NULL,
        packages TEXT NOT NULL,
        state TEXT NOT NULL,
        created TEXT NOT NULL,
        ended TEXT,
        result TEXT,
        starts INTEGER NOT NULL DEFAULT 0,
        operator_hold INTEGER NOT NULL DEFAULT 0
    , origin TEXT NOT NULL DEFAULT '', holds TEXT NOT NULL DEFAULT '[]', left_right INTEGER NOT NULL DEFAULT 1) STRICT;
INSERT INTO "runs" VALUES('0123456789ab','find_focus',3,'{"facts":{"start_position_steps":5200.0,"low_limit_steps":0.0,"high_limit_steps":10000.0,"play_bound_steps":200.0,"final_side":-1,"filters":["Clear","Red","Blue"],"reference_filter":"Clear","reach_px":2.0,"expected_slope_px_per_step":0.05,"margin_steps":10.0,"plausible_px_per_c":0.0,"zone_px":0.0,"noise_px":[],"pace":{"exposures_s":[],"readout_s":2.0,"wheel_s":2.0,"settle_s":0.5,"steps_per_s":100.0}},"how":{"first_stride_steps":30.0,"first_stride_px":0.8,"close_px":0.15,"most_looks":16,"search_stride_steps":100.0,"search_stride_reaches":4.0,"search_looks":12,"longest_walk_px":8.0}}','0','{"drawtube":"0.1.0","numpy":"2.4.6","scipy":"1.17.1","astropy":"8.0.2","sep":"1.4.1","pyserial":"3.5"}','done','2026-01-14T19:00:00+00:00','2026-01-14T19:00:00+00:00','{"outcome":"done","position_steps":5000.304064655024,"slope_px_per_step":0.05008126863343893}',1,0,'','[{"began":"2026-01-14T19:00:00+00:00","reasons":["star brightness: 0.1 of its best is below 0.5 of its best"],"ended":"2026-01-14T19:05:00+00:00"}]',0);
CREATE TABLE steps (
        run_id TEXT NOT NULL REFERENCES runs(id),
        number INTEGER NOT NULL,
        step TEXT NOT NULL,
        intended TEXT NOT NULL,
        answer TEXT,
        answered TEXT, sum INTEGER,
        PRIMARY KEY (run_id, number)
    ) STRICT;
INSERT INTO "steps" VALUES('0123456789ab',0,'{"kind":"Await","condition":"mask_on","at_most_s":900.0}','2026-01-14T19:00:00+00:00','{"kind":"Released","waited_s":0.0}','2026-01-14T19:00:00+00:00',777925402);
INSERT INTO "steps" VALUES('0123456789ab',1,'{"kind":"Remark","fraction":0.0,"sentence":"Looking for focus from where the focuser stands."}','2026-01-14T19:00:00+00:00','{"kind":"Noted"}','2026-01-14T19:00:00+00:00',1036505994);
INSERT INTO "steps" VALUES('0123456789ab',2,'{"kind":"SelectFilter","filter":"Clear"}','2026-01-14T19:00:00+00:00','{"kind":"Selected","filter":"Clear"}','2026-01-14T19:00:00+00:00',1112250835);
INSERT INTO "steps" VALUES('0123456789ab',3,'{"kind":"Approach","position_steps":5200.0,"side":-1,"overshoot_steps":200.0}','2026-01-14T19:00:00+00:00','{"kind":"Arrived","position_steps":5200.0,"side":-1,"travel_since_reversal_steps":200.0}','2026-01-14T19:00:00+00:00',2695601378);
INSERT INTO "steps" VALUES('0123456789ab',4,'{"kind":"Observe","filter":"Clear","exposure_s":null,"method":"mask","pass_id":null,"marker":false}','2026-01-14T19:00:00+00:00','{"kind":"Seen","observation":{"number":0,"filter":"Clear","position_steps":5200.0,"method":"mask","value_px":10.001025783017596,"u_px":0.03,"side":-1,"travel_since_reversal_steps":200.0,"temperature_c":8.0,"time_s":1768417201.0,"exposure_s":2.0,"signal_electrons":null,"pass_id":1,"marker":false,"path":null,"flags":[],"blur_px":null,"peak_share":null,"frames":1}}','2026-01-14T19:00:00+00:00',3076534461);
INSERT INTO "steps" VALUES('0123456789ab',5,'{"kind":"Travel","position_steps":5184.0}','2026-01-14T19:00:00+00:00','{"kind":"Arrived","position_steps":5184.0,"side":-1,"travel_since_reversal_steps":216.0}','2026-01-14T19:00:00+00:00',3735967596);
INSERT INTO "steps" VALUES('0123456789ab',6,'{"kind":"Observe","filter":"Clear","exposure_s":null,"method":"mask","pass_id":null,"marker":false}','2026-01-14T19:00:00+00:00','{"kind":"Seen","observation":{"number":1,"filter":"Clear","position_steps":5184.0,"method":"mask","value_px":9.2407924262093,"u_px":0.03,"side":-1,"travel_since_reversal_steps":216.0,"temperature_c":8.0,"time_s":1768417201.0,"exposure_s":2.0,"signal_electrons":null,"pass_id":1,"marker":false,"path":null,"flags":[],"blur_px":null,"peak_share":null,"frames":1}}','2026-01-14T19:00:00+00:00',1698888604);
INSERT INTO "steps" VALUES('0123456789ab',7,'{"kind":"Approach","position_steps":5016.0,"side":-1,"overshoot_steps":200.0}','2026-01-14T19:00:00+00:00','{"kind":"Arrived","position_steps":5016.0,"side":-1,"travel_since_reversal_steps":200.0}','2026-01-14T19:00:00+00:00',3890282198);
INSERT INTO "steps" VALUES('0123456789ab',8,'{"kind":"Observe","filter":"Clear","exposure_s":null,"method":"mask","pass_id":null,"marker":false}','2026-01-14T19:00:00+00:00','{"kind":"Seen","observation":{"number":2,"filter":"Clear","position_steps":5016.0,"method":"mask","value_px":0.836741632357578,"u_px":0.03,"side":-1,"travel_since_reversal_steps":200.0,"temperature_c":8.0,"time_s":1768417201.0,"exposure_s":2.0,"signal_electrons":null,"pass_id":2,"marker":false,"path":null,"flags":[],"blur_px":null,"peak_share":null,"frames":1}}','2026-01-14T19:00:00+00:00',3659892602);
INSERT INTO "steps" VALUES('0123456789ab',9,'{"kind":"Approach","position_steps":4999.0,"side":-1,"overshoot_steps":200.0}','2026-01-14T19:00:00+00:00','{"kind":"Arrived","position_steps":4999.0,"side":-1,"travel_since_reversal_steps":200.0}','2026-01-14T19:00:00+00:00',335102179);
INSERT INTO "steps" VALUES('0123456789ab',10,'{"kind":"Observe","filter":"Clear","exposure_s":null,"method":"mask","pass_id":null,"marker":false}','2026-01-14T19:00:00+00:00','{"kind":"Seen","observation":{"number":3,"filter":"Clear","position_steps":4999.0,"method":"mask","value_px":-0.06530921230363003,"u_px":0.03,"side":-1,"travel_since_reversal_steps":200.0,"temperature_c":8.0,"time_s":1768417201.0,"exposure_s":2.0,"signal_electrons":null,"pass_id":3,"marker":false,"path":null,"flags":[],"blur_px":null,"peak_share":null,"frames":1}}','2026-01-14T19:00:00+00:00',2572562515);
PRAGMA user_version = 4;
COMMIT;
