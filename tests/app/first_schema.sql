-- A database as hatchmon wrote it with its first schema: 40 hours of an invented hatchery. Never changed.
PRAGMA user_version = 1;
BEGIN TRANSACTION;
CREATE TABLE alerts (
        alert_id INTEGER PRIMARY KEY AUTOINCREMENT,
        kind TEXT NOT NULL, scope TEXT NOT NULL, cone TEXT, urgency TEXT NOT NULL,
        title TEXT NOT NULL, body TEXT NOT NULL, raised_us INTEGER NOT NULL,
        seen_us INTEGER, seen_by TEXT,  -- when and by whom the keeper's answer came
        second_us INTEGER  -- when somebody else was told, because no answer had come
    ) STRICT;
INSERT INTO "alerts" VALUES(1,'silent','batch 2','north','soon','north: no temperature since 15:30','Silent for 31 min. The forecast goes on with the temperature expected, and grows less sure. Check the probe''s power, cable and network, or take a reading by hand: hatchmon reading north VALUE',1792504860000000,1792553400000000,'keeper',NULL);
INSERT INTO "alerts" VALUES(2,'silent','batch 3','bench','soon','bench: no temperature since 15:30','Silent for 31 min. The forecast goes on with the temperature expected, and grows less sure. Check the probe''s power, cable and network, or take a reading by hand: hatchmon reading bench VALUE',1792504860000000,1792600200000000,'keeper',NULL);
INSERT INTO "alerts" VALUES(3,'ready-soon','batch 2','north','can wait','north: ready about 07:24','Ready about 07:24, between 05:54 and 09:39. Harvest before 09:27. Lot river-23, 2 g, begun yesterday 08:30.',1792558500000000,1792600200000000,'keeper',NULL);
INSERT INTO "alerts" VALUES(4,'ready','batch 2','north','soon','north: ready to harvest','The harvest window is open. Harvest before 09:29. Air off for 5 to 10 minutes lets the shells rise and the nauplii sink; not longer. Lot river-23, 2 g, begun yesterday 08:30.',1792560300000000,1792600200000000,'keeper',NULL);
INSERT INTO "alerts" VALUES(5,'closing','batch 2','north','now','north: harvest before 09:30','The harvest window closes about 09:30; after that the nauplii moult and burn their yolk. Lot river-23, 2 g, begun yesterday 08:30.',1792564260000000,1792600200000000,'keeper',NULL);
INSERT INTO "alerts" VALUES(6,'cold','batch 5','bench','soon','bench: cold, 19.2 °C','For 20 minutes or more. Below 20.0 °C the hatch is slow. Check the heater. Unplug the heater before you put a hand into the water.',1792589400000000,1792600200000000,'keeper',NULL);
CREATE TABLE batch_changes (  -- the outbox of batches for the series store
        change_id INTEGER PRIMARY KEY AUTOINCREMENT,
        batch_id INTEGER NOT NULL,
        time_us INTEGER,  -- null until the writer has dated it, in the same transaction
        cone TEXT, lot TEXT, started_us INTEGER  -- of a batch that was taken back
    ) STRICT;
INSERT INTO "batch_changes" VALUES(1,1,1792476000000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(2,1,1792476000000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(3,1,1792476000000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(4,1,1792476000000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(5,2,1792477800000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(6,3,1792479600000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(7,2,1792531800000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(8,2,1792539000000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(9,2,1792542600000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(10,2,1792542600000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(11,2,1792542600000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(12,2,1792542600000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(13,3,1792546200000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(14,2,1792553400000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(15,2,1792566000000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(16,2,1792566000000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(17,2,1792566720000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(18,3,1792567800000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(19,4,1792569600000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(20,5,1792571400000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(21,2,1792582200000000,NULL,NULL,NULL);
INSERT INTO "batch_changes" VALUES(22,4,1792614600000000,NULL,NULL,NULL);
CREATE TABLE batches (
        batch_id INTEGER PRIMARY KEY AUTOINCREMENT,  -- no number serves twice
        cone TEXT NOT NULL REFERENCES cones,
        lot TEXT NOT NULL REFERENCES lots,
        started_us INTEGER NOT NULL,
        dated_by TEXT NOT NULL CHECK (dated_by IN ('receipt', 'keeper')),
        grams REAL NOT NULL,
        litres REAL,
        set_point_c REAL,
        salinity REAL,
        ended_us INTEGER,
        outcome TEXT CHECK (outcome IN ('harvested', 'discarded')),
        cold_c REAL,  -- the cold store that the harvest went into
        used_up_us INTEGER,  -- when the last of it was fed
        CHECK ((ended_us IS NULL) = (outcome IS NULL))
    ) STRICT;
INSERT INTO "batches" VALUES(1,'north','river-23',1790794800000000,'keeper',2.0,2.0,NULL,NULL,1790881200000000,'harvested',NULL,NULL);
INSERT INTO "batches" VALUES(2,'north','river-23',1792477800000000,'receipt',2.0,2.0,27.0,28.0,1792566000000000,'harvested',5.0,1792582200000000);
INSERT INTO "batches" VALUES(3,'bench','lake é 4',1792479600000000,'receipt',1.5,1.0,26.0,NULL,1792567800000000,'discarded',NULL,NULL);
INSERT INTO "batches" VALUES(4,'north','river-23',1792569600000000,'receipt',2.5,2.0,27.0,28.0,NULL,NULL,NULL,NULL);
INSERT INTO "batches" VALUES(5,'bench','lake é 4',1792569240000000,'keeper',1.5,1.0,26.0,NULL,NULL,NULL,NULL,NULL);
CREATE TABLE broods (
        brood TEXT PRIMARY KEY,
        fry INTEGER NOT NULL,
        swam TEXT NOT NULL,  -- the local day they began to swim freely
        mouth TEXT NOT NULL CHECK (mouth IN ('tiny', 'small', 'large')),
        ramp TEXT,  -- null: that of its mouths
        loss_per_day REAL NOT NULL,  -- share of those left
        ends TEXT  -- the first local day without nauplii
    ) STRICT;
INSERT INTO "broods" VALUES('reeds',150,'2026-10-05','small',NULL,0.01,NULL);
INSERT INTO "broods" VALUES('moss',60,'2026-10-18','tiny',NULL,0.0,'2026-12-01');
CREATE TABLE cones (cone TEXT PRIMARY KEY, since_us INTEGER NOT NULL) STRICT;
INSERT INTO "cones" VALUES('north',1792474200000000);
INSERT INTO "cones" VALUES('bench',1792474200000000);
CREATE TABLE counts (
        count_id INTEGER PRIMARY KEY AUTOINCREMENT,
        batch_id INTEGER NOT NULL REFERENCES batches,
        time_us INTEGER NOT NULL,
        dated_by TEXT NOT NULL CHECK (dated_by IN ('receipt', 'keeper')),
        sample_ml REAL NOT NULL,
        litres REAL,
        nauplii TEXT NOT NULL,  -- JSON: a number for each sample
        umbrella TEXT NOT NULL,  -- the same, empty where not counted
        unhatched TEXT NOT NULL
    ) STRICT;
INSERT INTO "counts" VALUES(1,2,1792566720000000,'receipt',0.25,2.0,'[96, 104, 88]','[4, 6, 3]','[31, 28, 35]');
CREATE TABLE deliveries (  -- of messages that became no reading
        number INTEGER PRIMARY KEY, delivery INTEGER NOT NULL
    ) STRICT;
INSERT INTO "deliveries" VALUES(8,118353341841434);
INSERT INTO "deliveries" VALUES(16,50989092569133);
INSERT INTO "deliveries" VALUES(24,36789732311106);
INSERT INTO "deliveries" VALUES(32,77243493515350);
INSERT INTO "deliveries" VALUES(40,109979846049897);
INSERT INTO "deliveries" VALUES(48,105116843376764);
INSERT INTO "deliveries" VALUES(56,41110479896726);
INSERT INTO "deliveries" VALUES(64,11356164784298);
INSERT INTO "deliveries" VALUES(72,88993154859199);
INSERT INTO "deliveries" VALUES(80,1044871381203);
INSERT INTO "deliveries" VALUES(88,77239552311527);
INSERT INTO "deliveries" VALUES(96,51688572518653);
INSERT INTO "deliveries" VALUES(104,103026771099920);
INSERT INTO "deliveries" VALUES(112,89317320163619);
INSERT INTO "deliveries" VALUES(120,130160359571767);
INSERT INTO "deliveries" VALUES(128,69929146515789);
INSERT INTO "deliveries" VALUES(136,130205543039328);
INSERT INTO "deliveries" VALUES(144,108264366145908);
INSERT INTO "deliveries" VALUES(152,33266350162314);
INSERT INTO "deliveries" VALUES(160,3756697059742);
INSERT INTO "deliveries" VALUES(168,115326045061553);
INSERT INTO "deliveries" VALUES(176,59554287452615);
INSERT INTO "deliveries" VALUES(184,66773711454683);
INSERT INTO "deliveries" VALUES(192,60451149251055);
INSERT INTO "deliveries" VALUES(200,132900607623685);
INSERT INTO "deliveries" VALUES(208,114776503353880);
INSERT INTO "deliveries" VALUES(216,6528397345324);
INSERT INTO "deliveries" VALUES(224,109202493538882);
INSERT INTO "deliveries" VALUES(232,6930989122134);
CREATE TABLE evidence (  -- what a finished batch teaches, made anew on every edit
        batch_id INTEGER PRIMARY KEY REFERENCES batches,
        body TEXT NOT NULL  -- JSON, or null where there is nothing to learn from
    ) STRICT;
INSERT INTO "evidence" VALUES(1,'{"ln_q": [[2.79941, 2.81266, 2.82591, 2.83916, 2.85241, 2.86566, 2.87891], [3.06178, 3.07503, 3.08827, 3.10152, 3.11477, 3.12802, 3.14127], [3.26942, 3.28267, 3.29591, 3.30916, 3.32241, 3.33566, 3.34891]], "z": [[-2.0, -0.84], [0.0, 0.84], [1.645, null]], "chance": [0.16666666666666666, 0.16666666666666666, 0.16666666666666666], "extra_sd": 0.08588, "light_known": false, "counted": []}');
INSERT INTO "evidence" VALUES(2,'{"ln_q": [[2.84293, 2.85982, 2.87671, 2.8936, 2.91049, 2.92739, 2.94428], [2.96694, 2.98365, 3.00036, 3.01707, 3.03378, 3.0505, 3.06721], [3.1792, 3.19605, 3.21291, 3.22977, 3.24663, 3.26349, 3.28035], [3.33239, 3.3491, 3.3658, 3.38251, 3.39922, 3.41593, 3.43265]], "z": [[-2.0, -0.84], [-0.84, 0.0], [0.0, 0.84], [0.84, 1.645]], "chance": [0.16666666666666666, 0.16666666666666666, 0.16666666666666666, 0.16666666666666666], "extra_sd": 0.01208, "light_known": false, "counted": [{"ln_q": [3.33239, 3.3491, 3.3658, 3.38251, 3.39922, 3.41593, 3.43265], "likely": [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 2e-06, 3.8e-05, 0.00044, 0.003236, 0.01562, 0.050911, 0.116723, 0.19942, 0.273639, 0.327379, 0.3658, 0.397714, 0.42822, 0.459463, 0.492481, 0.52799, 0.566615, 0.608965, 0.655652, 0.707259, 0.764123, 0.825713, 0.889329, 0.94825, 0.990464, 1.0, 0.962125, 0.870794, 0.733824, 0.571675, 0.409952, 0.270095, 0.163476, 0.091004, 0.046692, 0.022139, 0.00973, 0.003977, 0.001516, 0.000541, 0.000181, 5.7e-05, 1.7e-05, 5e-06, 1e-06, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]}]}');
INSERT INTO "evidence" VALUES(3,'null');
CREATE TABLE filing (up_to INTEGER NOT NULL) STRICT;
INSERT INTO "filing" VALUES(146);
CREATE TABLE forecasts (
        forecast_id INTEGER PRIMARY KEY AUTOINCREMENT,
        batch_id INTEGER NOT NULL REFERENCES batches,
        issued_us INTEGER NOT NULL,
        body TEXT NOT NULL  -- JSON of the Forecast, hours from the start
    ) STRICT;
INSERT INTO "forecasts" VALUES(1,2,1792477800000000,'{"q25_h": 0.0, "hatched": 0.0, "t10": {"p10": 10.992, "p50": 14.017, "p90": 17.879}, "t50": {"p10": 13.296, "p50": 16.834, "p90": 21.193}, "t90": {"p10": 15.839, "p50": 20.205, "p90": 25.608}, "opens": {"p10": 15.839, "p50": 20.205, "p90": 25.608}, "best": {"p10": 17.519, "p50": 21.988, "p90": 27.007}, "closes": {"p10": 19.116, "p50": 23.148, "p90": 28.157}, "surely_h": null, "from_temperature": 0.015, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 48.044}');
INSERT INTO "forecasts" VALUES(3,3,1792479600000000,'{"q25_h": 0.0, "hatched": 0.0, "t10": {"p10": 10.379, "p50": 15.172, "p90": 21.543}, "t50": {"p10": 13.305, "p50": 18.665, "p90": 26.105}, "t90": {"p10": 16.178, "p50": 23.038, "p90": 33.095}, "opens": {"p10": 16.178, "p50": 23.038, "p90": 33.095}, "best": {"p10": 18.137, "p50": 24.406, "p90": 33.799}, "closes": {"p10": 20.181, "p50": 24.462, "p90": 32.33}, "surely_h": null, "from_temperature": 0.008, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 52.177}');
INSERT INTO "forecasts" VALUES(7,3,1792483200000000,'{"q25_h": 1.099, "hatched": 0.0, "t10": {"p10": 10.349, "p50": 15.11, "p90": 21.47}, "t50": {"p10": 13.275, "p50": 18.605, "p90": 25.989}, "t90": {"p10": 16.142, "p50": 22.964, "p90": 32.972}, "opens": {"p10": 16.142, "p50": 22.964, "p90": 32.972}, "best": {"p10": 18.133, "p50": 24.324, "p90": 33.675}, "closes": {"p10": 20.143, "p50": 24.444, "p90": 32.226}, "surely_h": null, "from_temperature": 0.008, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 52.037}');
INSERT INTO "forecasts" VALUES(13,2,1792487400000000,'{"q25_h": 3.167, "hatched": 0.0, "t10": {"p10": 11.087, "p50": 14.138, "p90": 17.993}, "t50": {"p10": 13.419, "p50": 16.976, "p90": 21.382}, "t90": {"p10": 15.986, "p50": 20.362, "p90": 25.802}, "opens": {"p10": 15.986, "p50": 20.362, "p90": 25.802}, "best": {"p10": 17.745, "p50": 22.268, "p90": 27.29}, "closes": {"p10": 19.259, "p50": 23.451, "p90": 28.424}, "surely_h": null, "from_temperature": 0.012, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 48.409}');
INSERT INTO "forecasts" VALUES(19,2,1792491000000000,'{"q25_h": 4.33, "hatched": 0.0, "t10": {"p10": 11.203, "p50": 14.292, "p90": 18.208}, "t50": {"p10": 13.559, "p50": 17.161, "p90": 21.644}, "t90": {"p10": 16.175, "p50": 20.602, "p90": 26.09}, "opens": {"p10": 16.175, "p50": 20.602, "p90": 26.09}, "best": {"p10": 17.969, "p50": 22.589, "p90": 27.693}, "closes": {"p10": 19.515, "p50": 23.712, "p90": 28.787}, "surely_h": null, "from_temperature": 0.011, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 48.938}');
INSERT INTO "forecasts" VALUES(25,2,1792495200000000,'{"q25_h": 5.687, "hatched": 0.0, "t10": {"p10": 11.254, "p50": 14.333, "p90": 18.305}, "t50": {"p10": 13.601, "p50": 17.229, "p90": 21.718}, "t90": {"p10": 16.243, "p50": 20.701, "p90": 26.212}, "opens": {"p10": 16.243, "p50": 20.701, "p90": 26.212}, "best": {"p10": 18.068, "p50": 22.718, "p90": 27.87}, "closes": {"p10": 19.647, "p50": 23.76, "p90": 28.9}, "surely_h": null, "from_temperature": 0.01, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 49.146}');
INSERT INTO "forecasts" VALUES(31,2,1792498800000000,'{"q25_h": 6.866, "hatched": 0.001, "t10": {"p10": 11.201, "p50": 14.254, "p90": 18.171}, "t50": {"p10": 13.545, "p50": 17.128, "p90": 21.589}, "t90": {"p10": 16.149, "p50": 20.577, "p90": 26.038}, "opens": {"p10": 16.149, "p50": 20.577, "p90": 26.038}, "best": {"p10": 17.956, "p50": 22.604, "p90": 27.608}, "closes": {"p10": 19.569, "p50": 23.618, "p90": 28.627}, "surely_h": null, "from_temperature": 0.008, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 48.845}');
INSERT INTO "forecasts" VALUES(37,3,1792500600000000,'{"q25_h": 6.379, "hatched": 0.001, "t10": {"p10": 10.456, "p50": 15.282, "p90": 21.766}, "t50": {"p10": 13.431, "p50": 18.845, "p90": 26.271}, "t90": {"p10": 16.338, "p50": 23.268, "p90": 33.428}, "opens": {"p10": 16.338, "p50": 23.268, "p90": 33.428}, "best": {"p10": 18.383, "p50": 24.793, "p90": 34.131}, "closes": {"p10": 20.371, "p50": 24.829, "p90": 32.636}, "surely_h": null, "from_temperature": 0.005, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 52.707}');
INSERT INTO "forecasts" VALUES(43,2,1792504200000000,'{"q25_h": 8.657, "hatched": 0.002, "t10": {"p10": 11.112, "p50": 14.128, "p90": 17.979}, "t50": {"p10": 13.431, "p50": 16.962, "p90": 21.324}, "t90": {"p10": 16.01, "p50": 20.362, "p90": 25.738}, "opens": {"p10": 16.01, "p50": 20.362, "p90": 25.738}, "best": {"p10": 17.773, "p50": 22.353, "p90": 27.273}, "closes": {"p10": 19.421, "p50": 23.372, "p90": 28.235}, "surely_h": null, "from_temperature": 0.007, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 48.289}');
INSERT INTO "forecasts" VALUES(49,2,1792508400000000,'{"q25_h": 10.04, "hatched": 0.006, "t10": {"p10": 11.107, "p50": 14.105, "p90": 17.934}, "t50": {"p10": 13.421, "p50": 16.933, "p90": 21.273}, "t90": {"p10": 15.984, "p50": 20.307, "p90": 25.668}, "opens": {"p10": 15.984, "p50": 20.307, "p90": 25.668}, "best": {"p10": 17.748, "p50": 22.256, "p90": 27.213}, "closes": {"p10": 19.44, "p50": 23.292, "p90": 28.121}, "surely_h": null, "from_temperature": 0.005, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 48.156}');
INSERT INTO "forecasts" VALUES(55,3,1792510800000000,'{"q25_h": 9.394, "hatched": 0.014, "t10": {"p10": 10.511, "p50": 15.444, "p90": 22.04}, "t50": {"p10": 13.578, "p50": 19.067, "p90": 26.657}, "t90": {"p10": 16.539, "p50": 23.59, "p90": 33.984}, "opens": {"p10": 16.539, "p50": 23.59, "p90": 33.984}, "best": {"p10": 18.647, "p50": 25.189, "p90": 34.7}, "closes": {"p10": 20.729, "p50": 25.151, "p90": 33.139}, "surely_h": null, "from_temperature": 0.004, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 53.426}');
INSERT INTO "forecasts" VALUES(61,3,1792516200000000,'{"q25_h": 10.995, "hatched": 0.033, "t10": {"p10": 10.516, "p50": 15.415, "p90": 21.997}, "t50": {"p10": 13.565, "p50": 19.026, "p90": 26.557}, "t90": {"p10": 16.522, "p50": 23.528, "p90": 33.874}, "opens": {"p10": 16.522, "p50": 23.528, "p90": 33.874}, "best": {"p10": 18.672, "p50": 25.129, "p90": 34.646}, "closes": {"p10": 20.728, "p50": 25.082, "p90": 33.052}, "surely_h": null, "from_temperature": 0.003, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 53.28}');
INSERT INTO "forecasts" VALUES(67,2,1792521000000000,'{"q25_h": 14.129, "hatched": 0.072, "t10": {"p10": 11.165, "p50": 14.218, "p90": 18.11}, "t50": {"p10": 13.52, "p50": 17.111, "p90": 21.534}, "t90": {"p10": 16.162, "p50": 20.552, "p90": 26.027}, "opens": {"p10": 16.162, "p50": 20.552, "p90": 26.027}, "best": {"p10": 17.918, "p50": 22.384, "p90": 27.664}, "closes": {"p10": 19.753, "p50": 23.41, "p90": 28.43}, "surely_h": null, "from_temperature": 0.003, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 48.865}');
INSERT INTO "forecasts" VALUES(73,2,1792524600000000,'{"q25_h": 15.322, "hatched": 0.125, "t10": {"p10": 11.166, "p50": 14.187, "p90": 18.012}, "t50": {"p10": 13.501, "p50": 17.042, "p90": 21.401}, "t90": {"p10": 16.112, "p50": 20.441, "p90": 25.851}, "opens": {"p10": 16.112, "p50": 20.441, "p90": 25.851}, "best": {"p10": 17.834, "p50": 22.331, "p90": 27.454}, "closes": {"p10": 19.697, "p50": 23.394, "p90": 28.2}, "surely_h": null, "from_temperature": 0.002, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 48.452}');
INSERT INTO "forecasts" VALUES(79,3,1792528800000000,'{"q25_h": 14.808, "hatched": 0.153, "t10": {"p10": 10.514, "p50": 15.285, "p90": 21.681}, "t50": {"p10": 13.491, "p50": 18.806, "p90": 26.112}, "t90": {"p10": 16.404, "p50": 23.168, "p90": 33.204}, "opens": {"p10": 16.404, "p50": 23.168, "p90": 33.204}, "best": {"p10": 18.571, "p50": 24.7, "p90": 34.148}, "closes": {"p10": 20.627, "p50": 24.907, "p90": 32.471}, "surely_h": null, "from_temperature": 0.002, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 52.299}');
INSERT INTO "forecasts" VALUES(85,2,1792533600000000,'{"q25_h": 18.285, "hatched": 0.163, "t10": {"p10": 13.765, "p50": 15.066, "p90": 16.397}, "t50": {"p10": 16.595, "p50": 17.998, "p90": 19.828}, "t90": {"p10": 19.404, "p50": 21.552, "p90": 24.65}, "opens": {"p10": 19.404, "p50": 21.552, "p90": 24.65}, "best": {"p10": 20.946, "p50": 23.234, "p90": 25.763}, "closes": {"p10": 22.088, "p50": 24.343, "p90": 26.624}, "surely_h": null, "from_temperature": 0.005, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 49.485}');
INSERT INTO "forecasts" VALUES(91,2,1792538400000000,'{"q25_h": 19.833, "hatched": 0.328, "t10": {"p10": 13.765, "p50": 15.066, "p90": 16.408}, "t50": {"p10": 16.614, "p50": 18.038, "p90": 19.887}, "t90": {"p10": 19.466, "p50": 21.639, "p90": 24.773}, "opens": {"p10": 19.466, "p50": 21.639, "p90": 24.773}, "best": {"p10": 21.003, "p50": 23.359, "p90": 25.939}, "closes": {"p10": 22.161, "p50": 24.508, "p90": 26.774}, "surely_h": null, "from_temperature": 0.003, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 49.922}');
INSERT INTO "forecasts" VALUES(97,2,1792542600000000,'{"q25_h": 21.199, "hatched": 0.435, "t10": {"p10": 14.258, "p50": 15.298, "p90": 16.175}, "t50": {"p10": 17.579, "p50": 18.458, "p90": 19.581}, "t90": {"p10": 20.649, "p50": 22.263, "p90": 24.642}, "opens": {"p10": 20.649, "p50": 22.263, "p90": 24.642}, "best": {"p10": 22.181, "p50": 23.865, "p90": 25.962}, "closes": {"p10": 22.782, "p50": 24.874, "p90": 26.747}, "surely_h": null, "from_temperature": 0.005, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 50.288}');
INSERT INTO "forecasts" VALUES(103,2,1792546200000000,'{"q25_h": 22.389, "hatched": 0.64, "t10": {"p10": 13.989, "p50": 15.045, "p90": 16.045}, "t50": {"p10": 17.012, "p50": 18.018, "p90": 19.336}, "t90": {"p10": 19.879, "p50": 21.568, "p90": 24.04}, "opens": {"p10": 19.879, "p50": 21.568, "p90": 24.04}, "best": {"p10": 21.384, "p50": 23.217, "p90": 25.443}, "closes": {"p10": 22.271, "p50": 24.361, "p90": 26.137}, "surely_h": null, "from_temperature": 0.002, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 49.517}');
INSERT INTO "forecasts" VALUES(109,2,1792549800000000,'{"q25_h": 23.586, "hatched": 0.758, "t10": {"p10": 13.989, "p50": 15.045, "p90": 16.045}, "t50": {"p10": 17.012, "p50": 18.018, "p90": 19.329}, "t90": {"p10": 19.866, "p50": 21.54, "p90": 23.989}, "opens": {"p10": 19.866, "p50": 21.54, "p90": 23.989}, "best": {"p10": 21.339, "p50": 23.222, "p90": 25.401}, "closes": {"p10": 22.228, "p50": 24.322, "p90": 26.092}, "surely_h": null, "from_temperature": 0.001, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 49.252}');
INSERT INTO "forecasts" VALUES(115,3,1792554600000000,'{"q25_h": 22.567, "hatched": 0.588, "t10": {"p10": 13.652, "p50": 16.207, "p90": 17.791}, "t50": {"p10": 18.525, "p50": 20.072, "p90": 22.454}, "t90": {"p10": 21.789, "p50": 25.234, "p90": 32.086}, "opens": {"p10": 21.789, "p50": 25.234, "p90": 32.086}, "best": {"p10": 23.433, "p50": 27.076, "p90": 32.1}, "closes": {"p10": 23.16, "p50": 26.899, "p90": 29.145}, "surely_h": null, "from_temperature": 0.001, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 54.394}');
INSERT INTO "forecasts" VALUES(121,3,1792560000000000,'{"q25_h": 24.163, "hatched": 0.717, "t10": {"p10": 13.652, "p50": 16.207, "p90": 17.791}, "t50": {"p10": 18.525, "p50": 20.072, "p90": 22.463}, "t90": {"p10": 21.79, "p50": 25.236, "p90": 32.081}, "opens": {"p10": 21.79, "p50": 25.236, "p90": 32.081}, "best": {"p10": 23.414, "p50": 27.095, "p90": 32.103}, "closes": {"p10": 23.131, "p50": 26.923, "p90": 29.127}, "surely_h": null, "from_temperature": 0.001, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 54.378}');
INSERT INTO "forecasts" VALUES(127,3,1792565400000000,'{"q25_h": 25.778, "hatched": 0.807, "t10": {"p10": 13.652, "p50": 16.207, "p90": 17.791}, "t50": {"p10": 18.525, "p50": 20.072, "p90": 22.464}, "t90": {"p10": 21.79, "p50": 25.197, "p90": 31.978}, "opens": {"p10": 21.79, "p50": 25.197, "p90": 31.978}, "best": {"p10": 23.402, "p50": 27.007, "p90": 32.049}, "closes": {"p10": 23.113, "p50": 26.865, "p90": 29.06}, "surely_h": null, "from_temperature": 0.0, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 54.129}');
INSERT INTO "forecasts" VALUES(129,2,1792566000000000,'{"q25_h": 28.862, "hatched": 0.921, "t10": {"p10": 13.977, "p50": 15.305, "p90": 16.357}, "t50": {"p10": 18.119, "p50": 19.058, "p90": 19.968}, "t90": {"p10": 22.332, "p50": 23.725, "p90": 25.597}, "opens": {"p10": 22.332, "p50": 23.725, "p90": 25.597}, "best": {"p10": 23.677, "p50": 25.112, "p90": 26.539}, "closes": {"p10": 22.89, "p50": 25.08, "p90": 27.169}, "surely_h": null, "from_temperature": 0.0, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 50.798}');
INSERT INTO "forecasts" VALUES(131,3,1792567800000000,'{"q25_h": 26.503, "hatched": 0.834, "t10": {"p10": 13.607, "p50": 16.212, "p90": 17.832}, "t50": {"p10": 18.555, "p50": 20.09, "p90": 22.543}, "t90": {"p10": 21.788, "p50": 25.236, "p90": 32.166}, "opens": {"p10": 21.788, "p50": 25.236, "p90": 32.166}, "best": {"p10": 23.496, "p50": 27.111, "p90": 31.94}, "closes": {"p10": 23.208, "p50": 26.833, "p90": 29.008}, "surely_h": null, "from_temperature": 0.0, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 54.001}');
INSERT INTO "forecasts" VALUES(132,4,1792569600000000,'{"q25_h": 0.0, "hatched": 0.0, "t10": {"p10": 11.518, "p50": 14.205, "p90": 17.296}, "t50": {"p10": 14.527, "p50": 17.787, "p90": 21.424}, "t90": {"p10": 18.098, "p50": 22.302, "p90": 26.797}, "opens": {"p10": 18.098, "p50": 22.302, "p90": 26.797}, "best": {"p10": 19.841, "p50": 23.654, "p90": 28.548}, "closes": {"p10": 20.269, "p50": 23.894, "p90": 28.336}, "surely_h": null, "from_temperature": 0.022, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 48.921}');
INSERT INTO "forecasts" VALUES(133,4,1792571400000000,'{"q25_h": 0.599, "hatched": 0.0, "t10": {"p10": 11.518, "p50": 14.203, "p90": 17.294}, "t50": {"p10": 14.536, "p50": 17.791, "p90": 21.42}, "t90": {"p10": 18.088, "p50": 22.298, "p90": 26.787}, "opens": {"p10": 18.088, "p50": 22.298, "p90": 26.787}, "best": {"p10": 19.825, "p50": 23.631, "p90": 28.566}, "closes": {"p10": 20.3, "p50": 23.852, "p90": 28.344}, "surely_h": null, "from_temperature": 0.021, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 48.923}');
INSERT INTO "forecasts" VALUES(134,5,1792571400000000,'{"q25_h": 0.658, "hatched": 0.0, "t10": {"p10": 10.532, "p50": 15.374, "p90": 21.813}, "t50": {"p10": 13.495, "p50": 18.919, "p90": 26.415}, "t90": {"p10": 16.417, "p50": 23.348, "p90": 33.497}, "opens": {"p10": 16.417, "p50": 23.348, "p90": 33.497}, "best": {"p10": 18.387, "p50": 24.685, "p90": 34.189}, "closes": {"p10": 20.368, "p50": 24.718, "p90": 32.533}, "surely_h": null, "from_temperature": 0.008, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 52.41}');
INSERT INTO "forecasts" VALUES(139,4,1792576200000000,'{"q25_h": 2.184, "hatched": 0.0, "t10": {"p10": 11.597, "p50": 14.27, "p90": 17.375}, "t50": {"p10": 14.619, "p50": 17.881, "p90": 21.528}, "t90": {"p10": 18.197, "p50": 22.409, "p90": 26.907}, "opens": {"p10": 18.197, "p50": 22.409, "p90": 26.907}, "best": {"p10": 19.934, "p50": 23.75, "p90": 28.698}, "closes": {"p10": 20.47, "p50": 23.982, "p90": 28.472}, "surely_h": null, "from_temperature": 0.019, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 49.151}');
INSERT INTO "forecasts" VALUES(145,4,1792579800000000,'{"q25_h": 3.353, "hatched": 0.0, "t10": {"p10": 11.734, "p50": 14.439, "p90": 17.583}, "t50": {"p10": 14.787, "p50": 18.089, "p90": 21.787}, "t90": {"p10": 18.426, "p50": 22.679, "p90": 27.223}, "opens": {"p10": 18.426, "p50": 22.679, "p90": 27.223}, "best": {"p10": 20.161, "p50": 24.055, "p90": 28.933}, "closes": {"p10": 20.74, "p50": 24.271, "p90": 28.734}, "surely_h": null, "from_temperature": 0.018, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 49.699}');
INSERT INTO "forecasts" VALUES(151,4,1792583400000000,'{"q25_h": 4.513, "hatched": 0.0, "t10": {"p10": 11.822, "p50": 14.565, "p90": 17.741}, "t50": {"p10": 14.919, "p50": 18.254, "p90": 21.982}, "t90": {"p10": 18.595, "p50": 22.902, "p90": 27.486}, "opens": {"p10": 18.595, "p50": 22.902, "p90": 27.486}, "best": {"p10": 20.329, "p50": 24.299, "p90": 29.164}, "closes": {"p10": 20.934, "p50": 24.522, "p90": 28.981}, "surely_h": null, "from_temperature": 0.016, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 50.151}');
INSERT INTO "forecasts" VALUES(157,5,1792587600000000,'{"q25_h": 5.599, "hatched": 0.0, "t10": {"p10": 10.533, "p50": 15.364, "p90": 21.839}, "t50": {"p10": 13.503, "p50": 18.928, "p90": 26.391}, "t90": {"p10": 16.433, "p50": 23.373, "p90": 33.524}, "opens": {"p10": 16.433, "p50": 23.373, "p90": 33.524}, "best": {"p10": 18.45, "p50": 24.831, "p90": 34.217}, "closes": {"p10": 20.343, "p50": 24.83, "p90": 32.583}, "surely_h": null, "from_temperature": 0.006, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 52.456}');
INSERT INTO "forecasts" VALUES(163,5,1792590000000000,'{"q25_h": 5.766, "hatched": 0.0, "t10": {"p10": 15.606, "p50": 24.924, "p90": 38.838}, "t50": {"p10": 21.05, "p50": 31.603, "p90": 48.046}, "t90": {"p10": 26.335, "p50": 40.159, "p90": 62.053}, "opens": {"p10": 26.335, "p50": 40.159, "p90": 62.053}, "best": {"p10": 29.299, "p50": 43.297, "p90": 61.865}, "closes": {"p10": 32.679, "p50": 42.41, "p90": 56.283}, "surely_h": null, "from_temperature": 0.093, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "stays as it is", "widened": 1.0, "usable_h": 67.603}');
INSERT INTO "forecasts" VALUES(169,5,1792591800000000,'{"q25_h": 6.052, "hatched": 0.001, "t10": {"p10": 15.681, "p50": 25.001, "p90": 38.99}, "t50": {"p10": 21.127, "p50": 31.743, "p90": 48.281}, "t90": {"p10": 26.408, "p50": 40.333, "p90": 62.3}, "opens": {"p10": 26.408, "p50": 40.333, "p90": 62.3}, "best": {"p10": 29.381, "p50": 43.388, "p90": 62.061}, "closes": {"p10": 32.803, "p50": 42.469, "p90": 56.582}, "surely_h": null, "from_temperature": 0.09, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "stays as it is", "widened": 1.0, "usable_h": 67.743}');
INSERT INTO "forecasts" VALUES(175,5,1792594200000000,'{"q25_h": 6.43, "hatched": 0.001, "t10": {"p10": 15.762, "p50": 25.119, "p90": 39.145}, "t50": {"p10": 21.272, "p50": 31.9, "p90": 48.516}, "t90": {"p10": 26.577, "p50": 40.495, "p90": 62.614}, "opens": {"p10": 26.577, "p50": 40.495, "p90": 62.614}, "best": {"p10": 29.574, "p50": 43.417, "p90": 62.328}, "closes": {"p10": 33.032, "p50": 42.474, "p90": 56.869}, "surely_h": null, "from_temperature": 0.087, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "stays as it is", "widened": 1.0, "usable_h": 67.9}');
INSERT INTO "forecasts" VALUES(181,5,1792597800000000,'{"q25_h": 7.444, "hatched": 0.003, "t10": {"p10": 11.298, "p50": 15.856, "p90": 24.138}, "t50": {"p10": 13.978, "p50": 19.319, "p90": 29.699}, "t90": {"p10": 16.367, "p50": 23.607, "p90": 37.967}, "opens": {"p10": 16.367, "p50": 23.607, "p90": 37.967}, "best": {"p10": 17.752, "p50": 25.278, "p90": 39.484}, "closes": {"p10": 18.35, "p50": 25.123, "p90": 37.907}, "surely_h": null, "from_temperature": 0.286, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "on its way, end fitted from the log", "widened": 1.0, "usable_h": 49.948}');
INSERT INTO "forecasts" VALUES(187,5,1792601400000000,'{"q25_h": 8.505, "hatched": 0.007, "t10": {"p10": 11.829, "p50": 16.775, "p90": 23.703}, "t50": {"p10": 14.857, "p50": 20.431, "p90": 28.547}, "t90": {"p10": 17.763, "p50": 25.062, "p90": 35.921}, "opens": {"p10": 17.763, "p50": 25.062, "p90": 35.921}, "best": {"p10": 19.696, "p50": 26.383, "p90": 37.02}, "closes": {"p10": 21.597, "p50": 26.51, "p90": 35.058}, "surely_h": null, "from_temperature": 0.051, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "stays as it is", "widened": 1.0, "usable_h": 54.794}');
INSERT INTO "forecasts" VALUES(193,4,1792604400000000,'{"q25_h": 11.398, "hatched": 0.012, "t10": {"p10": 11.73, "p50": 14.469, "p90": 17.603}, "t50": {"p10": 14.859, "p50": 18.139, "p90": 21.824}, "t90": {"p10": 18.464, "p50": 22.766, "p90": 27.331}, "opens": {"p10": 18.464, "p50": 22.766, "p90": 27.331}, "best": {"p10": 20.208, "p50": 24.289, "p90": 29.119}, "closes": {"p10": 21.042, "p50": 24.34, "p90": 29.026}, "surely_h": null, "from_temperature": 0.008, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 49.933}');
INSERT INTO "forecasts" VALUES(199,4,1792609200000000,'{"q25_h": 12.951, "hatched": 0.027, "t10": {"p10": 11.725, "p50": 14.485, "p90": 17.63}, "t50": {"p10": 14.867, "p50": 18.171, "p90": 21.861}, "t90": {"p10": 18.488, "p50": 22.81, "p90": 27.39}, "opens": {"p10": 18.488, "p50": 22.81, "p90": 27.39}, "best": {"p10": 20.228, "p50": 24.365, "p90": 29.202}, "closes": {"p10": 21.094, "p50": 24.367, "p90": 29.116}, "surely_h": null, "from_temperature": 0.006, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 50.063}');
INSERT INTO "forecasts" VALUES(205,4,1792612800000000,'{"q25_h": 14.135, "hatched": 0.051, "t10": {"p10": 11.705, "p50": 14.444, "p90": 17.555}, "t50": {"p10": 14.836, "p50": 18.087, "p90": 21.75}, "t90": {"p10": 18.405, "p50": 22.694, "p90": 27.211}, "opens": {"p10": 18.405, "p50": 22.694, "p90": 27.211}, "best": {"p10": 20.12, "p50": 24.207, "p90": 28.943}, "closes": {"p10": 20.997, "p50": 24.218, "p90": 28.904}, "surely_h": null, "from_temperature": 0.005, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 49.716}');
INSERT INTO "forecasts" VALUES(211,5,1792615200000000,'{"q25_h": 12.637, "hatched": 0.064, "t10": {"p10": 11.764, "p50": 16.615, "p90": 23.143}, "t50": {"p10": 14.798, "p50": 20.201, "p90": 27.68}, "t90": {"p10": 17.718, "p50": 24.694, "p90": 34.95}, "opens": {"p10": 17.718, "p50": 24.694, "p90": 34.95}, "best": {"p10": 19.734, "p50": 26.242, "p90": 35.707}, "closes": {"p10": 21.838, "p50": 26.077, "p90": 33.945}, "surely_h": null, "from_temperature": 0.002, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 53.936}');
INSERT INTO "forecasts" VALUES(214,5,1792617600000000,'{"q25_h": 13.369, "hatched": 0.086, "t10": {"p10": 11.764, "p50": 16.584, "p90": 23.089}, "t50": {"p10": 14.789, "p50": 20.157, "p90": 27.586}, "t90": {"p10": 17.692, "p50": 24.616, "p90": 34.815}, "opens": {"p10": 17.692, "p50": 24.616, "p90": 34.815}, "best": {"p10": 19.709, "p50": 26.164, "p90": 35.585}, "closes": {"p10": 21.811, "p50": 26.039, "p90": 33.836}, "surely_h": null, "from_temperature": 0.002, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 53.741}');
INSERT INTO "forecasts" VALUES(215,4,1792618200000000,'{"q25_h": 15.929, "hatched": 0.142, "t10": {"p10": 11.967, "p50": 13.222, "p90": 14.569}, "t50": {"p10": 15.027, "p50": 16.698, "p90": 18.46}, "t90": {"p10": 18.578, "p50": 21.036, "p90": 23.897}, "opens": {"p10": 18.578, "p50": 21.036, "p90": 23.897}, "best": {"p10": 19.986, "p50": 22.435, "p90": 25.028}, "closes": {"p10": 20.222, "p50": 22.881, "p90": 25.304}, "surely_h": null, "from_temperature": 0.008, "trust": "good", "reasons": [], "not_predicted": null, "temperature_rule": "heater in control", "widened": 1.0, "usable_h": 47.916}');
CREATE TABLE letters (  -- one alert to one address: the outbox of the push
        letter_id INTEGER PRIMARY KEY,
        alert_id INTEGER NOT NULL REFERENCES alerts,
        address INTEGER NOT NULL,
        not_before_us INTEGER NOT NULL,
        state TEXT NOT NULL CHECK (state IN ('due', 'sent', 'overtaken', 'given up')),
        key TEXT NOT NULL DEFAULT (lower(hex(randomblob(8)))),  -- the same at every attempt
        in_doubt INTEGER NOT NULL DEFAULT 0,  -- an attempt was begun and may have been the one
        attempts INTEGER NOT NULL DEFAULT 0,
        last_error TEXT
    ) STRICT;
INSERT INTO "letters" VALUES(1,1,0,1792504860000000,'sent','53d0c0e6e9d50173',1,1,NULL);
INSERT INTO "letters" VALUES(2,1,1,1792504860000000,'due','5a1e4733e3b765a4',1,0,NULL);
INSERT INTO "letters" VALUES(3,2,0,1792504860000000,'sent','39494b3ff517b0df',1,1,NULL);
INSERT INTO "letters" VALUES(4,2,1,1792504860000000,'given up','7f31d73c9cbc2af7',1,6,NULL);
INSERT INTO "letters" VALUES(5,3,0,1792558500000000,'sent','701421337e01ccc0',1,1,NULL);
INSERT INTO "letters" VALUES(6,3,1,1792558500000000,'overtaken','414f1cde650c9557',1,996,'answered 500');
INSERT INTO "letters" VALUES(7,4,0,1792560300000000,'sent','bbf0fdaae10d5ff8',1,1,NULL);
INSERT INTO "letters" VALUES(8,4,1,1792560300000000,'due','73bb66a94d12c3ff',1,0,NULL);
INSERT INTO "letters" VALUES(9,5,0,1792564260000000,'sent','e72d5e462aeacfec',1,1,NULL);
INSERT INTO "letters" VALUES(10,5,1,1792564260000000,'due','836090bd440c9f72',1,0,NULL);
INSERT INTO "letters" VALUES(11,6,0,1792589400000000,'sent','0bd253b4539e557c',1,1,NULL);
INSERT INTO "letters" VALUES(12,6,1,1792589400000000,'due','4879dc556243e46f',1,481,'answered 500');
CREATE TABLE looks (
        look_id INTEGER PRIMARY KEY AUTOINCREMENT,
        batch_id INTEGER NOT NULL REFERENCES batches,
        time_us INTEGER NOT NULL,
        dated_by TEXT NOT NULL CHECK (dated_by IN ('receipt', 'keeper')),
        seen TEXT NOT NULL
    ) STRICT;
INSERT INTO "looks" VALUES(1,1,1790848800000000,'keeper','few');
INSERT INTO "looks" VALUES(2,1,1790865000000000,'keeper','most');
INSERT INTO "looks" VALUES(3,1,1790881200000000,'keeper','complete');
INSERT INTO "looks" VALUES(4,2,1792531800000000,'receipt','few');
INSERT INTO "looks" VALUES(5,2,1792539000000000,'receipt','some');
INSERT INTO "looks" VALUES(8,3,1792546200000000,'receipt','30 %');
INSERT INTO "looks" VALUES(9,2,1792553400000000,'receipt','most');
INSERT INTO "looks" VALUES(10,2,1792566000000000,'receipt','nearly all');
INSERT INTO "looks" VALUES(11,4,1792614600000000,'receipt','few');
CREATE TABLE lots (lot TEXT PRIMARY KEY, since_us INTEGER NOT NULL) STRICT;
INSERT INTO "lots" VALUES('river-23',1790794800000000);
INSERT INTO "lots" VALUES('lake é 4',1792479600000000);
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
INSERT INTO "meta" VALUES('boot','{"name": null, "marks": {"readings": 1, "batches": 1, "looks": 1, "counts": 1, "forecasts": 1, "alerts": 1, "batch_changes": 1, "running": []}, "began_us": 1792474200000000, "offset_s": 1791474200.0, "held": false}');
INSERT INTO "meta" VALUES('alive_us','1792618200000000');
INSERT INTO "meta" VALUES('thinned_us','1792479600000000');
INSERT INTO "meta" VALUES('series_cursor','500');
INSERT INTO "meta" VALUES('series_cursor.forecasts','40');
CREATE TABLE notebook (  -- finished batches that come from a keeper's notebook, and their water
        batch_id INTEGER PRIMARY KEY REFERENCES batches,
        temp_c REAL NOT NULL,
        doubt_c REAL NOT NULL
    ) STRICT;
INSERT INTO "notebook" VALUES(1,26.5,0.8);
CREATE TABLE plans (
        plan_id INTEGER PRIMARY KEY AUTOINCREMENT,
        made_us INTEGER NOT NULL,
        body TEXT NOT NULL  -- JSON
    ) STRICT;
INSERT INTO "plans" VALUES(1,1792575000000000,'{"version": 1, "made": "2026-10-21T09:30:00+00:00", "days": 2, "wanted": 0.9, "starts": [], "feedings": [{"at": "2026-10-21T16:30:00+00:00", "nauplii": 10947, "instar1": 0, "by_brood": {"reeds": 10947}, "chance": 1.0, "short": 0.0, "met": true, "starts": [], "on_hand": ["north, in the cold store"]}, {"at": "2026-10-22T05:30:00+00:00", "nauplii": 11515, "instar1": 0, "by_brood": {"reeds": 11515}, "chance": 1.0, "short": 0.0, "met": true, "starts": [], "on_hand": ["north, in the cold store"]}, {"at": "2026-10-22T16:30:00+00:00", "nauplii": 11515, "instar1": 0, "by_brood": {"reeds": 11515}, "chance": 1.0, "short": 0.0, "met": true, "starts": [], "on_hand": ["north, running"]}, {"at": "2026-10-23T05:30:00+00:00", "nauplii": 12071, "instar1": 0, "by_brood": {"reeds": 12071}, "chance": 0.983, "short": 0.017, "met": true, "starts": [], "on_hand": ["bench, running", "north, running"]}], "hand": [{"at": "2026-10-21T09:30:00+00:00", "usable": [679935, 770080, 869093], "instar1": [679935, 770080, 869093]}, {"at": "2026-10-21T10:30:00+00:00", "usable": [679935, 770080, 869093], "instar1": [679935, 770080, 869093]}, {"at": "2026-10-21T11:30:00+00:00", "usable": [679935, 770080, 869093], "instar1": [679935, 770080, 869093]}, {"at": "2026-10-21T12:30:00+00:00", "usable": [679935, 770080, 869093], "instar1": [679935, 770080, 869093]}, {"at": "2026-10-21T13:30:00+00:00", "usable": [679935, 770080, 869093], "instar1": [679935, 770080, 869093]}, {"at": "2026-10-21T14:30:00+00:00", "usable": [679935, 770080, 869093], "instar1": [679935, 770080, 869093]}, {"at": "2026-10-21T15:30:00+00:00", "usable": [679935, 770080, 869093], "instar1": [679935, 770080, 869093]}, {"at": "2026-10-21T16:30:00+00:00", "usable": [668988, 759453, 859567], "instar1": [668988, 759453, 859567]}, {"at": "2026-10-21T17:30:00+00:00", "usable": [668988, 759453, 859567], "instar1": [668988, 759453, 859567]}, {"at": "2026-10-21T18:30:00+00:00", "usable": [668988, 759453, 859567], "instar1": [668988, 759453, 859567]}, {"at": "2026-10-21T19:30:00+00:00", "usable": [668988, 759934, 863018], "instar1": [668988, 759934, 863018]}, {"at": "2026-10-21T20:30:00+00:00", "usable": [669583, 762025, 873997], "instar1": [669583, 762025, 873997]}, {"at": "2026-10-21T21:30:00+00:00", "usable": [669583, 762025, 873997], "instar1": [669583, 762025, 873997]}, {"at": "2026-10-21T22:30:00+00:00", "usable": [669583, 762025, 873997], "instar1": [669583, 762025, 873997]}, {"at": "2026-10-21T23:30:00+00:00", "usable": [669583, 762025, 873997], "instar1": [669583, 760737, 868304]}, {"at": "2026-10-22T00:30:00+00:00", "usable": [669583, 762025, 873997], "instar1": [669583, 760737, 867298]}, {"at": "2026-10-22T01:30:00+00:00", "usable": [669583, 762025, 873997], "instar1": [669583, 759453, 860453]}, {"at": "2026-10-22T02:30:00+00:00", "usable": [669583, 762025, 873997], "instar1": [668988, 759133, 858146]}, {"at": "2026-10-22T03:30:00+00:00", "usable": [669583, 762025, 873997], "instar1": [668988, 759133, 858146]}, {"at": "2026-10-22T04:30:00+00:00", "usable": [690317, 878102, 1844603], "instar1": [684355, 813238, 1666103]}, {"at": "2026-10-22T05:30:00+00:00", "usable": [691603, 1053625, 1974980], "instar1": [672313, 811452, 1724430]}, {"at": "2026-10-22T06:30:00+00:00", "usable": [719719, 1368276, 2075434], "instar1": [673833, 813177, 1756351]}, {"at": "2026-10-22T07:30:00+00:00", "usable": [0, 781959, 1336235], "instar1": [0, 0, 814573]}, {"at": "2026-10-22T08:30:00+00:00", "usable": [0, 781959, 1336235], "instar1": [0, 0, 0]}, {"at": "2026-10-22T09:30:00+00:00", "usable": [0, 781959, 1336235], "instar1": [0, 0, 0]}, {"at": "2026-10-22T10:30:00+00:00", "usable": [0, 781959, 1336235], "instar1": [0, 0, 0]}, {"at": "2026-10-22T11:30:00+00:00", "usable": [0, 781959, 1336235], "instar1": [0, 0, 0]}, {"at": "2026-10-22T12:30:00+00:00", "usable": [0, 781959, 1336235], "instar1": [0, 0, 0]}, {"at": "2026-10-22T13:30:00+00:00", "usable": [0, 781959, 1336235], "instar1": [0, 0, 0]}, {"at": "2026-10-22T14:30:00+00:00", "usable": [0, 781959, 1336235], "instar1": [0, 0, 0]}, {"at": "2026-10-22T15:30:00+00:00", "usable": [829995, 1152559, 1615724], "instar1": [0, 0, 0]}, {"at": "2026-10-22T16:30:00+00:00", "usable": [826006, 1149640, 1607836], "instar1": [0, 0, 0]}, {"at": "2026-10-22T17:30:00+00:00", "usable": [831420, 1152981, 1616838], "instar1": [0, 0, 0]}, {"at": "2026-10-22T18:30:00+00:00", "usable": [841314, 1160835, 1618331], "instar1": [0, 0, 0]}, {"at": "2026-10-22T19:30:00+00:00", "usable": [843974, 1165313, 1618331], "instar1": [0, 0, 0]}, {"at": "2026-10-22T20:30:00+00:00", "usable": [867779, 1172643, 1618331], "instar1": [0, 0, 0]}, {"at": "2026-10-22T21:30:00+00:00", "usable": [867474, 1172643, 1618331], "instar1": [0, 0, 0]}, {"at": "2026-10-22T22:30:00+00:00", "usable": [865954, 1172643, 1618331], "instar1": [0, 0, 0]}, {"at": "2026-10-22T23:30:00+00:00", "usable": [863770, 1170066, 1618331], "instar1": [0, 0, 0]}, {"at": "2026-10-23T00:30:00+00:00", "usable": [855535, 1166300, 1614699], "instar1": [0, 0, 0]}, {"at": "2026-10-23T01:30:00+00:00", "usable": [843937, 1165313, 1603640], "instar1": [0, 0, 0]}, {"at": "2026-10-23T02:30:00+00:00", "usable": [835416, 1164034, 1599223], "instar1": [0, 0, 0]}, {"at": "2026-10-23T03:30:00+00:00", "usable": [802047, 1139885, 1594285], "instar1": [0, 0, 0]}, {"at": "2026-10-23T04:30:00+00:00", "usable": [732760, 1137817, 1596021], "instar1": [0, 0, 0]}, {"at": "2026-10-23T05:30:00+00:00", "usable": [428232, 1112004, 1561694], "instar1": [0, 0, 0]}, {"at": "2026-10-23T06:30:00+00:00", "usable": [204494, 1057934, 1526702], "instar1": [0, 0, 0]}, {"at": "2026-10-23T07:30:00+00:00", "usable": [150333, 975612, 1514750], "instar1": [0, 0, 0]}, {"at": "2026-10-23T08:30:00+00:00", "usable": [0, 832289, 1453287], "instar1": [0, 0, 0]}, {"at": "2026-10-23T09:30:00+00:00", "usable": [0, 537966, 1328925], "instar1": [0, 0, 0]}], "grams": {}, "cost": 0, "wasted": 1970596, "gap": 0.0, "proven": true, "failing": null, "running_out": [], "broods": [{"brood": "moss", "fry": 60, "swam": "2026-10-18", "mouth": "tiny", "ramp": "tiny", "age_days": 3, "left": 60, "nauplii_today": 0, "foods_today": ["infusoria"], "first_nauplii": "2026-10-26", "ends": "2026-12-01"}, {"brood": "reeds", "fry": 150, "swam": "2026-10-05", "mouth": "small", "ramp": "small", "age_days": 16, "left": 128, "nauplii_today": 21895, "foods_today": ["nauplii"], "first_nauplii": "2026-10-08", "ends": null}], "energy": {}, "notes": []}');
CREATE TABLE readings (
        seq INTEGER PRIMARY KEY,  -- never used again: the newest row is never deleted
        stream_id INTEGER NOT NULL REFERENCES streams,
        time_us INTEGER NOT NULL,
        raw REAL NOT NULL,  -- as sent, in the unit of the stream
        verdict TEXT NOT NULL,
        dated_by TEXT NOT NULL CHECK (dated_by IN ('receipt', 'probe', 'keeper')),
        delivery INTEGER,  -- tells a message that the broker repeats (of the newest only)
        filed INTEGER NOT NULL DEFAULT 0  -- 1 once in the index below, 2 for the mean of a minute
    ) STRICT;
INSERT INTO "readings" VALUES(1,1,1792474200000000,24.4,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(2,2,1792474200000000,78.6,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(3,3,1792474200000000,28.0,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(4,1,1792474800000000,24.43,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(5,2,1792474800000000,78.63,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(7,2,1792475400000000,78.67,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(12,1,1792475425000000,2.58200000000000038377e+01,'good','receipt',NULL,2);
INSERT INTO "readings" VALUES(13,1,1792476000000000,24.5,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(14,2,1792476000000000,78.7,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(15,4,1792476000000000,2119.0,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(16,5,1792476000000000,16.62,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(17,1,1792476600000000,24.52,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(18,2,1792476600000000,78.73,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(19,3,1792476900000000,28.01,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(20,1,1792477200000000,27.05,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(21,2,1792477200000000,78.76,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(22,1,1792477800000000,27.07,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(23,2,1792477800000000,78.79,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(24,1,1792478400000000,27.08,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(25,2,1792478400000000,78.82,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(26,1,1792479000000000,27.09,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(27,2,1792479000000000,78.85,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(28,1,1792479600000000,27.1,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(29,2,1792479600000000,78.87,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(30,3,1792479600000000,28.02,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(31,4,1792479600000000,2140.0,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(32,5,1792479600000000,17.17,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(33,1,1792480200000000,27.1,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(34,2,1792480200000000,78.9,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(35,1,1792480800000000,27.09,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(36,2,1792480800000000,78.92,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(37,1,1792481400000000,27.08,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(38,2,1792481400000000,78.94,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(39,1,1792482000000000,27.07,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(40,2,1792482000000000,78.95,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(41,3,1792482300000000,28.02,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(42,1,1792482600000000,27.04,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(43,2,1792482600000000,78.97,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(44,1,1792483200000000,27.02,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(45,2,1792483200000000,78.98,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(46,4,1792483200000000,2124.0,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(47,5,1792483200000000,17.85,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(48,1,1792483800000000,26.99,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(49,2,1792483800000000,78.99,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(50,1,1792484400000000,26.96,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(51,2,1792484400000000,79.0,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(52,1,1792485000000000,26.93,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(53,2,1792485000000000,79.0,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(54,3,1792485000000000,28.03,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(55,6,1792485000000000,26.5,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(56,1,1792485600000000,26.89,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(57,2,1792485600000000,79.0,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(58,1,1792486200000000,26.86,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(59,2,1792486200000000,79.0,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(60,1,1792486800000000,26.83,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(61,2,1792486800000000,78.99,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(62,4,1792486800000000,2086.0,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(63,5,1792486800000000,18.61,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(64,1,1792487400000000,26.8,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(65,2,1792487400000000,78.99,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(66,3,1792487700000000,28.04,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(67,1,1792488000000000,26.77,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(68,2,1792488000000000,78.98,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(69,1,1792488600000000,26.75,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(70,2,1792488600000000,78.96,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(71,1,1792489200000000,26.73,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(72,2,1792489200000000,78.95,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(73,1,1792489800000000,26.71,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(74,2,1792489800000000,78.93,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(75,1,1792490400000000,26.7,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(76,2,1792490400000000,78.91,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(77,3,1792490400000000,28.05,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(78,4,1792490400000000,2061.0,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(79,5,1792490400000000,19.39,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(80,1,1792491000000000,26.7,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(81,2,1792491000000000,78.89,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(82,1,1792491600000000,26.7,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(83,2,1792491600000000,78.87,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(84,1,1792492200000000,26.71,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(85,2,1792492200000000,78.84,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(86,1,1792492800000000,26.72,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(87,2,1792492800000000,78.81,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(88,3,1792493100000000,28.05,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(89,1,1792493400000000,26.74,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(90,2,1792493400000000,78.78,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(91,1,1792494000000000,26.76,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(92,2,1792494000000000,78.75,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(93,4,1792494000000000,2072.0,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(94,5,1792494000000000,20.15,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(95,1,1792494600000000,26.78,'good','receipt',NULL,1);
INSERT INTO "readings" VALUES(96,2,1792494600000000,78.72,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(97,1,1792495200000000,26.81,'good','receipt',93656814059619,1);
INSERT INTO "readings" VALUES(98,2,1792495200000000,78.69,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(99,1,1792495800000000,26.84,'good','receipt',5213447520357,1);
INSERT INTO "readings" VALUES(100,2,1792495800000000,78.66,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(101,3,1792495800000000,28.06,'good','receipt',77842990563431,1);
INSERT INTO "readings" VALUES(102,1,1792496400000000,26.88,'good','receipt',50950728974440,1);
INSERT INTO "readings" VALUES(103,2,1792496400000000,78.62,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(104,1,1792497000000000,26.91,'good','receipt',62256455483498,1);
INSERT INTO "readings" VALUES(105,2,1792497000000000,78.59,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(106,1,1792497600000000,26.94,'good','receipt',106512324296812,1);
INSERT INTO "readings" VALUES(107,2,1792497600000000,78.56,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(108,4,1792497600000000,2109.0,'good','receipt',104199257784430,1);
INSERT INTO "readings" VALUES(109,5,1792497600000000,20.83,'good','receipt',87410362810479,1);
INSERT INTO "readings" VALUES(110,1,1792498200000000,26.97,'good','receipt',14987478368368,1);
INSERT INTO "readings" VALUES(111,2,1792498200000000,78.52,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(112,3,1792498500000000,28.07,'good','receipt',58984771420274,1);
INSERT INTO "readings" VALUES(113,1,1792498800000000,27.0,'good','receipt',133539471687795,1);
INSERT INTO "readings" VALUES(114,2,1792498800000000,78.49,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(115,1,1792499400000000,27.03,'good','receipt',67719658471541,1);
INSERT INTO "readings" VALUES(116,2,1792499400000000,78.46,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(117,1,1792500000000000,27.05,'good','receipt',85160568422519,1);
INSERT INTO "readings" VALUES(118,2,1792500000000000,78.43,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(119,1,1792500600000000,27.07,'good','receipt',88743183646841,1);
INSERT INTO "readings" VALUES(120,2,1792500600000000,78.4,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(121,1,1792501200000000,27.09,'good','receipt',89022151196795,1);
INSERT INTO "readings" VALUES(122,2,1792501200000000,78.37,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(123,3,1792501200000000,28.07,'good','receipt',58984771420285,1);
INSERT INTO "readings" VALUES(124,4,1792501200000000,2138.0,'good','receipt',115193071927422,1);
INSERT INTO "readings" VALUES(125,5,1792501200000000,21.38,'good','receipt',99960279072895,1);
INSERT INTO "readings" VALUES(126,1,1792501800000000,27.1,'good','receipt',51546987430016,1);
INSERT INTO "readings" VALUES(127,2,1792501800000000,78.34,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(128,1,1792502400000000,27.1,'good','receipt',51546987430018,1);
INSERT INTO "readings" VALUES(129,2,1792502400000000,78.32,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(130,1,1792503000000000,27.1,'good','receipt',51546987430020,1);
INSERT INTO "readings" VALUES(131,2,1792503000000000,78.3,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(132,3,1792503900000000,28.08,'good','receipt',17425032085638,1);
INSERT INTO "readings" VALUES(133,4,1792504800000000,2132.0,'good','receipt',30318672412807,1);
INSERT INTO "readings" VALUES(134,5,1792504800000000,21.77,'good','receipt',45119569461384,1);
INSERT INTO "readings" VALUES(135,3,1792506600000000,28.09,'good','receipt',55546949730441,1);
INSERT INTO "readings" VALUES(136,1,1792508400000000,26.88,'good','receipt',50950728974474,1);
INSERT INTO "readings" VALUES(137,2,1792508400000000,78.2,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(138,4,1792508400000000,2097.0,'good','receipt',106569820340364,1);
INSERT INTO "readings" VALUES(139,5,1792508400000000,21.97,'good','receipt',87481647497357,1);
INSERT INTO "readings" VALUES(140,1,1792509000000000,26.85,'good','receipt',75362808823950,1);
INSERT INTO "readings" VALUES(141,2,1792509000000000,78.2,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(142,3,1792509300000000,28.1,'good','receipt',136455510360208,1);
INSERT INTO "readings" VALUES(143,1,1792509600000000,26.82,'good','receipt',66869576859793,1);
INSERT INTO "readings" VALUES(144,2,1792509600000000,78.21,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(145,1,1792510200000000,26.79,'good','receipt',13212644999315,1);
INSERT INTO "readings" VALUES(146,2,1792510200000000,78.22,'good','probe',NULL,1);
INSERT INTO "readings" VALUES(147,1,1792510800000000,26.76,'good','receipt',112062886510741,0);
INSERT INTO "readings" VALUES(148,2,1792510800000000,78.23,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(149,1,1792511400000000,26.74,'good','receipt',122154397204631,0);
INSERT INTO "readings" VALUES(150,2,1792511400000000,78.24,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(151,1,1792512000000000,26.72,'good','receipt',68046366769305,0);
INSERT INTO "readings" VALUES(152,2,1792512000000000,78.26,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(153,3,1792512000000000,28.11,'good','receipt',3797606400155,0);
INSERT INTO "readings" VALUES(154,4,1792512000000000,2065.0,'good','receipt',60977730945180,0);
INSERT INTO "readings" VALUES(155,5,1792512000000000,21.97,'good','receipt',87481647497373,0);
INSERT INTO "readings" VALUES(156,1,1792512600000000,26.71,'good','receipt',80461856702622,0);
INSERT INTO "readings" VALUES(157,2,1792512600000000,78.27,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(158,1,1792513200000000,26.7,'good','receipt',37115853537440,0);
INSERT INTO "readings" VALUES(159,2,1792513200000000,78.3,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(160,1,1792513800000000,26.7,'good','receipt',37115853537442,0);
INSERT INTO "readings" VALUES(161,2,1792513800000000,78.32,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(162,1,1792514400000000,26.7,'good','receipt',37115853537444,0);
INSERT INTO "readings" VALUES(163,2,1792514400000000,78.34,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(164,3,1792514700000000,28.11,'good','receipt',3797606400166,0);
INSERT INTO "readings" VALUES(165,1,1792515000000000,26.71,'good','receipt',80461856702631,0);
INSERT INTO "readings" VALUES(166,2,1792515000000000,78.37,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(167,1,1792515600000000,26.72,'good','receipt',68046366769321,0);
INSERT INTO "readings" VALUES(168,2,1792515600000000,78.4,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(169,4,1792515600000000,2065.0,'good','receipt',60977730945195,0);
INSERT INTO "readings" VALUES(170,5,1792515600000000,21.77,'good','receipt',45119569461420,0);
INSERT INTO "readings" VALUES(171,1,1792516200000000,26.74,'good','receipt',122154397204653,0);
INSERT INTO "readings" VALUES(172,2,1792516200000000,78.43,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(173,1,1792516200000001,85.0,'sentinel','receipt',115546263650479,0);
INSERT INTO "readings" VALUES(174,1,1792516800000000,26.77,'good','receipt',12006383026353,0);
INSERT INTO "readings" VALUES(175,2,1792516800000000,78.46,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(176,1,1792517400000000,26.79,'good','receipt',13212644999347,0);
INSERT INTO "readings" VALUES(177,2,1792517400000000,78.49,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(178,3,1792517400000000,28.12,'good','receipt',114095823782069,0);
INSERT INTO "readings" VALUES(179,1,1792518000000000,26.82,'good','receipt',66869576859830,0);
INSERT INTO "readings" VALUES(180,2,1792518000000000,78.52,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(181,1,1792518600000000,26.85,'good','receipt',75362808823992,0);
INSERT INTO "readings" VALUES(182,2,1792518600000000,78.55,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(183,1,1792519200000000,26.89,'good','receipt',42026281926842,0);
INSERT INTO "readings" VALUES(184,2,1792519200000000,78.59,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(185,4,1792519200000000,2097.0,'good','receipt',106569820340412,0);
INSERT INTO "readings" VALUES(186,5,1792519200000000,21.38,'good','receipt',99960279072957,0);
INSERT INTO "readings" VALUES(187,1,1792519800000000,26.92,'good','receipt',96933302894782,0);
INSERT INTO "readings" VALUES(188,2,1792519800000000,78.62,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(189,3,1792520100000000,28.13,'good','receipt',13834025369792,0);
INSERT INTO "readings" VALUES(190,1,1792520400000000,26.95,'good','receipt',121599271960769,0);
INSERT INTO "readings" VALUES(191,2,1792520400000000,78.65,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(192,1,1792521000000000,26.98,'good','receipt',73594505724099,0);
INSERT INTO "readings" VALUES(193,2,1792521000000000,78.69,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(194,1,1792521600000000,27.01,'good','receipt',76741936873669,0);
INSERT INTO "readings" VALUES(195,2,1792521600000000,78.72,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(196,1,1792522200000000,27.04,'good','receipt',35700201226439,0);
INSERT INTO "readings" VALUES(197,2,1792522200000000,78.75,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(198,1,1792522800000000,27.06,'good','receipt',72743783956681,0);
INSERT INTO "readings" VALUES(199,2,1792522800000000,78.78,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(200,3,1792522800000000,28.14,'good','receipt',22595821043915,0);
INSERT INTO "readings" VALUES(201,4,1792522800000000,2132.0,'good','receipt',30318672412876,0);
INSERT INTO "readings" VALUES(202,5,1792522800000000,20.83,'good','receipt',87410362810573,0);
INSERT INTO "readings" VALUES(203,1,1792523400000000,27.08,'good','receipt',21873010999502,0);
INSERT INTO "readings" VALUES(204,2,1792523400000000,78.81,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(205,1,1792524000000000,27.09,'good','receipt',89022151196880,0);
INSERT INTO "readings" VALUES(206,2,1792524000000000,78.84,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(207,1,1792524600000000,27.1,'good','receipt',51546987430098,0);
INSERT INTO "readings" VALUES(208,2,1792524600000000,78.86,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(209,1,1792525200000000,27.1,'good','receipt',51546987430100,0);
INSERT INTO "readings" VALUES(210,2,1792525200000000,78.89,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(211,3,1792525500000000,28.14,'good','receipt',22595821043926,0);
INSERT INTO "readings" VALUES(212,1,1792525800000000,27.1,'good','receipt',51546987430103,0);
INSERT INTO "readings" VALUES(213,2,1792525800000000,78.91,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(214,1,1792526400000000,27.09,'good','receipt',89022151196889,0);
INSERT INTO "readings" VALUES(215,2,1792526400000000,78.93,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(216,4,1792526400000000,2137.0,'good','receipt',112665152520411,0);
INSERT INTO "readings" VALUES(217,5,1792526400000000,20.15,'good','receipt',61413099700444,0);
INSERT INTO "readings" VALUES(218,1,1792527000000000,27.07,'good','receipt',88743183646941,0);
INSERT INTO "readings" VALUES(219,2,1792527000000000,78.95,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(220,1,1792527600000000,27.05,'good','receipt',85160568422623,0);
INSERT INTO "readings" VALUES(221,2,1792527600000000,78.96,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(222,1,1792528200000000,27.03,'good','receipt',67719658471649,0);
INSERT INTO "readings" VALUES(223,2,1792528200000000,78.98,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(224,3,1792528200000000,28.15,'good','receipt',3758508015843,0);
INSERT INTO "readings" VALUES(225,1,1792528800000000,27.0,'good','receipt',133539471687908,0);
INSERT INTO "readings" VALUES(226,2,1792528800000000,78.99,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(227,1,1792529400000000,26.97,'good','receipt',14987478368486,0);
INSERT INTO "readings" VALUES(228,2,1792529400000000,78.99,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(229,1,1792530000000000,26.94,'good','receipt',106512324296936,0);
INSERT INTO "readings" VALUES(230,2,1792530000000000,79.0,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(231,4,1792530000000000,2108.0,'good','receipt',30446452867306,0);
INSERT INTO "readings" VALUES(232,5,1792530000000000,19.39,'good','receipt',100253618274539,0);
INSERT INTO "readings" VALUES(233,1,1792530600000000,26.91,'good','receipt',62256455483628,0);
INSERT INTO "readings" VALUES(234,2,1792530600000000,79.0,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(235,3,1792530900000000,28.16,'good','receipt',125109621096686,0);
INSERT INTO "readings" VALUES(236,1,1792531200000000,26.87,'good','receipt',13076347027695,0);
INSERT INTO "readings" VALUES(237,2,1792531200000000,79.0,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(238,1,1792531800000000,26.84,'good','receipt',5213447520497,0);
INSERT INTO "readings" VALUES(239,2,1792531800000000,79.0,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(240,1,1792532400000000,26.81,'good','receipt',93656814059763,0);
INSERT INTO "readings" VALUES(241,2,1792532400000000,78.99,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(242,1,1792533000000000,26.78,'good','receipt',139185658790133,0);
INSERT INTO "readings" VALUES(243,2,1792533000000000,78.98,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(244,1,1792533600000000,26.76,'good','receipt',112062886510839,0);
INSERT INTO "readings" VALUES(245,2,1792533600000000,78.97,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(246,3,1792533600000000,28.16,'good','receipt',125109621096697,0);
INSERT INTO "readings" VALUES(247,4,1792533600000000,2072.0,'good','receipt',6100029079802,0);
INSERT INTO "readings" VALUES(248,5,1792533600000000,18.61,'good','receipt',25080209604859,0);
INSERT INTO "readings" VALUES(249,1,1792534200000000,26.74,'good','receipt',122154397204732,0);
INSERT INTO "readings" VALUES(250,2,1792534200000000,78.95,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(251,1,1792534800000000,26.72,'good','receipt',68046366769406,0);
INSERT INTO "readings" VALUES(252,2,1792534800000000,78.94,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(253,1,1792535400000000,26.71,'good','receipt',80461856702720,0);
INSERT INTO "readings" VALUES(254,2,1792535400000000,78.92,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(255,1,1792536000000000,26.7,'good','receipt',37115853537538,0);
INSERT INTO "readings" VALUES(256,2,1792536000000000,78.9,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(257,3,1792536300000000,28.17,'good','receipt',39368469119236,0);
INSERT INTO "readings" VALUES(258,1,1792536600000000,26.7,'good','receipt',37115853537541,0);
INSERT INTO "readings" VALUES(259,2,1792536600000000,78.88,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(260,1,1792537200000000,26.7,'good','receipt',37115853537543,0);
INSERT INTO "readings" VALUES(261,2,1792537200000000,78.85,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(262,4,1792537200000000,2061.0,'good','receipt',130092269764873,0);
INSERT INTO "readings" VALUES(263,5,1792537200000000,17.85,'good','receipt',94293605417226,0);
INSERT INTO "readings" VALUES(264,1,1792537800000000,26.71,'good','receipt',80461856702731,0);
INSERT INTO "readings" VALUES(265,2,1792537800000000,78.82,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(266,1,1792538400000000,26.73,'good','receipt',50871306027277,0);
INSERT INTO "readings" VALUES(267,2,1792538400000000,78.79,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(268,1,1792539000000000,26.75,'good','receipt',94392485871887,0);
INSERT INTO "readings" VALUES(269,2,1792539000000000,78.76,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(270,3,1792539000000000,28.18,'good','receipt',17916750004497,0);
INSERT INTO "readings" VALUES(271,1,1792539600000000,26.77,'good','receipt',12006383026451,0);
INSERT INTO "readings" VALUES(272,2,1792539600000000,78.73,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(273,1,1792540200000000,26.8,'good','receipt',93105550983445,0);
INSERT INTO "readings" VALUES(274,2,1792540200000000,78.7,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(275,1,1792540800000000,26.83,'good','receipt',82293927903511,0);
INSERT INTO "readings" VALUES(276,2,1792540800000000,78.67,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(277,4,1792540800000000,2086.0,'good','receipt',49507075096857,0);
INSERT INTO "readings" VALUES(278,5,1792540800000000,17.17,'good','receipt',41693633380634,0);
INSERT INTO "readings" VALUES(279,1,1792541400000000,26.86,'good','receipt',61183683264795,0);
INSERT INTO "readings" VALUES(280,2,1792541400000000,78.64,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(281,3,1792541700000000,28.19,'good','receipt',133228636143901,0);
INSERT INTO "readings" VALUES(282,1,1792542000000000,26.9,'good','receipt',138033146757406,0);
INSERT INTO "readings" VALUES(283,2,1792542000000000,78.6,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(284,1,1792542600000000,26.93,'good','receipt',46978003304736,0);
INSERT INTO "readings" VALUES(285,2,1792542600000000,78.57,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(286,1,1792543200000000,26.96,'good','receipt',12155141161250,0);
INSERT INTO "readings" VALUES(287,2,1792543200000000,78.54,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(288,1,1792543800000000,26.99,'good','receipt',27983424454948,0);
INSERT INTO "readings" VALUES(289,2,1792543800000000,78.5,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(290,1,1792544400000000,27.02,'good','receipt',76055349821734,0);
INSERT INTO "readings" VALUES(291,2,1792544400000000,78.47,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(292,3,1792544400000000,28.2,'good','receipt',45447495549224,0);
INSERT INTO "readings" VALUES(293,4,1792544400000000,2124.0,'good','receipt',127379427819817,0);
INSERT INTO "readings" VALUES(294,5,1792544400000000,16.62,'good','receipt',75879572308266,0);
INSERT INTO "readings" VALUES(295,1,1792545000000000,27.05,'good','receipt',85160568422699,0);
INSERT INTO "readings" VALUES(296,2,1792545000000000,78.44,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(297,1,1792545600000000,27.07,'good','receipt',88743183647021,0);
INSERT INTO "readings" VALUES(298,2,1792545600000000,78.41,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(299,1,1792546200000000,27.08,'good','receipt',21873010999599,0);
INSERT INTO "readings" VALUES(300,2,1792546200000000,78.38,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(301,1,1792546800000000,27.09,'good','receipt',89022151196977,0);
INSERT INTO "readings" VALUES(302,2,1792546800000000,78.36,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(303,3,1792547100000000,28.2,'good','receipt',45447495549235,0);
INSERT INTO "readings" VALUES(304,1,1792547400000000,27.1,'good','receipt',51546987430196,0);
INSERT INTO "readings" VALUES(305,2,1792547400000000,78.33,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(306,1,1792548000000000,27.1,'good','receipt',51546987430198,0);
INSERT INTO "readings" VALUES(307,2,1792548000000000,78.31,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(308,4,1792548000000000,2140.0,'good','receipt',31564831260984,0);
INSERT INTO "readings" VALUES(309,5,1792548000000000,16.23,'good','receipt',134624299581753,0);
INSERT INTO "readings" VALUES(310,1,1792548600000000,27.09,'good','receipt',89022151196986,0);
INSERT INTO "readings" VALUES(311,2,1792548600000000,78.28,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(312,1,1792549200000000,27.08,'good','receipt',21873010999612,0);
INSERT INTO "readings" VALUES(313,2,1792549200000000,78.27,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(314,1,1792549800000000,27.07,'good','receipt',88743183647038,0);
INSERT INTO "readings" VALUES(315,2,1792549800000000,78.25,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(316,3,1792549800000000,28.21,'good','receipt',84004269654336,0);
INSERT INTO "readings" VALUES(317,1,1792550400000000,27.05,'good','receipt',85160568422721,0);
INSERT INTO "readings" VALUES(318,2,1792550400000000,78.23,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(319,1,1792551000000000,27.02,'good','receipt',76055349821763,0);
INSERT INTO "readings" VALUES(320,2,1792551000000000,78.22,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(321,1,1792551600000000,26.99,'good','receipt',27983424454981,0);
INSERT INTO "readings" VALUES(322,2,1792551600000000,78.21,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(323,4,1792551600000000,2119.0,'good','receipt',128699241333063,0);
INSERT INTO "readings" VALUES(324,5,1792551600000000,16.03,'good','receipt',43949628391752,0);
INSERT INTO "readings" VALUES(325,1,1792552200000000,26.96,'good','receipt',12155141161289,0);
INSERT INTO "readings" VALUES(326,2,1792552200000000,78.21,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(327,3,1792552500000000,28.22,'good','receipt',52822981017931,0);
INSERT INTO "readings" VALUES(328,1,1792552800000000,26.93,'good','receipt',46978003304780,0);
INSERT INTO "readings" VALUES(329,2,1792552800000000,78.2,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(330,1,1792553400000000,26.9,'good','receipt',138033146757454,0);
INSERT INTO "readings" VALUES(331,2,1792553400000000,78.2,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(332,1,1792554000000000,26.87,'good','receipt',13076347027792,0);
INSERT INTO "readings" VALUES(333,2,1792554000000000,78.2,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(334,1,1792554600000000,26.83,'good','receipt',82293927903570,0);
INSERT INTO "readings" VALUES(335,2,1792554600000000,78.21,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(336,1,1792555200000000,26.8,'good','receipt',93105550983508,0);
INSERT INTO "readings" VALUES(337,2,1792555200000000,78.21,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(338,3,1792555200000000,28.23,'good','receipt',34749151510870,0);
INSERT INTO "readings" VALUES(339,4,1792555200000000,2081.0,'good','receipt',39836278260055,0);
INSERT INTO "readings" VALUES(340,5,1792555200000000,16.03,'good','receipt',43949628391768,0);
INSERT INTO "readings" VALUES(341,1,1792555800000000,26.77,'good','receipt',12006383026521,0);
INSERT INTO "readings" VALUES(342,2,1792555800000000,78.22,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(343,1,1792556400000000,26.75,'good','receipt',94392485871963,0);
INSERT INTO "readings" VALUES(344,2,1792556400000000,78.23,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(345,1,1792557000000000,26.73,'good','receipt',50871306027357,0);
INSERT INTO "readings" VALUES(346,2,1792557000000000,78.25,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(347,1,1792557600000000,26.72,'good','receipt',68046366769503,0);
INSERT INTO "readings" VALUES(348,2,1792557600000000,78.27,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(349,3,1792557900000000,28.23,'good','receipt',34749151510881,0);
INSERT INTO "readings" VALUES(350,1,1792558200000000,26.71,'good','receipt',80461856702818,0);
INSERT INTO "readings" VALUES(351,2,1792558200000000,78.29,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(352,1,1792558800000000,26.7,'good','receipt',37115853537636,0);
INSERT INTO "readings" VALUES(353,2,1792558800000000,78.31,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(354,4,1792558800000000,2060.0,'good','receipt',33233212473702,0);
INSERT INTO "readings" VALUES(355,5,1792558800000000,16.23,'good','receipt',134624299581799,0);
INSERT INTO "readings" VALUES(356,1,1792559400000000,26.7,'good','receipt',37115853537640,0);
INSERT INTO "readings" VALUES(357,2,1792559400000000,78.33,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(358,1,1792560000000000,26.71,'good','receipt',80461856702826,0);
INSERT INTO "readings" VALUES(359,2,1792560000000000,78.36,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(360,1,1792560600000000,26.72,'good','receipt',68046366769516,0);
INSERT INTO "readings" VALUES(361,2,1792560600000000,78.39,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(362,3,1792560600000000,28.24,'good','receipt',16781717471598,0);
INSERT INTO "readings" VALUES(363,1,1792561200000000,26.74,'good','receipt',122154397204847,0);
INSERT INTO "readings" VALUES(364,2,1792561200000000,78.41,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(365,1,1792561800000000,26.76,'good','receipt',112062886510961,0);
INSERT INTO "readings" VALUES(366,2,1792561800000000,78.44,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(367,1,1792562400000000,26.78,'good','receipt',139185658790259,0);
INSERT INTO "readings" VALUES(368,2,1792562400000000,78.48,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(369,4,1792562400000000,2076.0,'good','receipt',92699971354997,0);
INSERT INTO "readings" VALUES(370,5,1792562400000000,16.62,'good','receipt',75879572308342,0);
INSERT INTO "readings" VALUES(371,1,1792563000000000,26.81,'good','receipt',93656814059895,0);
INSERT INTO "readings" VALUES(372,2,1792563000000000,78.51,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(373,3,1792563300000000,28.25,'good','receipt',101402616070521,0);
INSERT INTO "readings" VALUES(374,1,1792563600000000,26.84,'good','receipt',5213447520634,0);
INSERT INTO "readings" VALUES(375,2,1792563600000000,78.54,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(376,1,1792564200000000,26.87,'good','receipt',13076347027836,0);
INSERT INTO "readings" VALUES(377,2,1792564200000000,78.57,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(378,1,1792564800000000,26.91,'good','receipt',62256455483774,0);
INSERT INTO "readings" VALUES(379,2,1792564800000000,78.61,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(380,1,1792565400000000,26.94,'good','receipt',106512324297088,0);
INSERT INTO "readings" VALUES(381,2,1792565400000000,78.64,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(382,1,1792566000000000,26.97,'good','receipt',14987478368642,0);
INSERT INTO "readings" VALUES(383,2,1792566000000000,78.67,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(384,3,1792566000000000,28.25,'good','receipt',101402616070532,0);
INSERT INTO "readings" VALUES(385,4,1792566000000000,2114.0,'good','receipt',14828181520773,0);
INSERT INTO "readings" VALUES(386,5,1792566000000000,17.17,'good','receipt',41693633380742,0);
INSERT INTO "readings" VALUES(387,1,1792566600000000,27.0,'good','receipt',133539471688071,0);
INSERT INTO "readings" VALUES(388,2,1792566600000000,78.71,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(389,1,1792567200000000,27.03,'good','receipt',67719658471817,0);
INSERT INTO "readings" VALUES(390,2,1792567200000000,78.74,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(391,1,1792567800000000,27.05,'good','receipt',85160568422795,0);
INSERT INTO "readings" VALUES(392,2,1792567800000000,78.77,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(393,1,1792568400000000,27.07,'good','receipt',88743183647117,0);
INSERT INTO "readings" VALUES(394,2,1792568400000000,78.8,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(395,3,1792568700000000,28.26,'good','receipt',61087545426319,0);
INSERT INTO "readings" VALUES(396,1,1792569000000000,27.09,'good','receipt',89022151197072,0);
INSERT INTO "readings" VALUES(397,2,1792569000000000,78.83,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(398,1,1792569600000000,27.1,'good','receipt',51546987430290,0);
INSERT INTO "readings" VALUES(399,2,1792569600000000,78.85,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(400,4,1792569600000000,2139.0,'good','receipt',127426438693268,0);
INSERT INTO "readings" VALUES(401,5,1792569600000000,17.85,'good','receipt',94293605417365,0);
INSERT INTO "readings" VALUES(402,1,1792570200000000,27.1,'good','receipt',51546987430294,0);
INSERT INTO "readings" VALUES(403,2,1792570200000000,78.88,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(404,1,1792570800000000,27.1,'good','receipt',51546987430296,0);
INSERT INTO "readings" VALUES(405,2,1792570800000000,78.9,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(406,1,1792571400000000,27.09,'good','receipt',89022151197082,0);
INSERT INTO "readings" VALUES(407,2,1792571400000000,78.92,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(408,3,1792571400000000,28.27,'good','receipt',123595983225244,0);
INSERT INTO "readings" VALUES(409,1,1792572000000000,27.08,'good','receipt',21873010999709,0);
INSERT INTO "readings" VALUES(410,2,1792572000000000,78.94,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(411,1,1792572600000000,27.06,'good','receipt',72743783956895,0);
INSERT INTO "readings" VALUES(412,2,1792572600000000,78.96,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(413,1,1792573200000000,27.04,'good','receipt',35700201226657,0);
INSERT INTO "readings" VALUES(414,2,1792573200000000,78.97,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(415,4,1792573200000000,2128.0,'good','receipt',107653731647907,0);
INSERT INTO "readings" VALUES(416,5,1792573200000000,18.61,'good','receipt',25080209605028,0);
INSERT INTO "readings" VALUES(417,1,1792573800000000,27.01,'good','receipt',76741936873893,0);
INSERT INTO "readings" VALUES(418,2,1792573800000000,78.98,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(419,3,1792574100000000,28.28,'good','receipt',63688988164519,0);
INSERT INTO "readings" VALUES(420,1,1792574400000000,26.99,'good','receipt',27983424455080,0);
INSERT INTO "readings" VALUES(421,2,1792574400000000,78.99,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(422,1,1792575000000000,26.95,'good','receipt',121599271961002,0);
INSERT INTO "readings" VALUES(423,2,1792575000000000,79.0,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(424,1,1792575600000000,26.92,'good','receipt',96933302895020,0);
INSERT INTO "readings" VALUES(425,2,1792575600000000,79.0,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(426,1,1792576200000000,26.89,'good','receipt',42026281927086,0);
INSERT INTO "readings" VALUES(427,2,1792576200000000,79.0,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(428,1,1792576800000000,26.86,'good','receipt',61183683264944,0);
INSERT INTO "readings" VALUES(429,2,1792576800000000,79.0,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(430,3,1792576800000000,28.29,'good','receipt',16034060435890,0);
INSERT INTO "readings" VALUES(431,4,1792576800000000,2091.0,'good','receipt',4540592095667,0);
INSERT INTO "readings" VALUES(432,5,1792576800000000,19.39,'good','receipt',100253618274740,0);
INSERT INTO "readings" VALUES(433,1,1792577400000000,26.82,'good','receipt',66869576860085,0);
INSERT INTO "readings" VALUES(434,2,1792577400000000,78.99,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(435,1,1792578000000000,26.79,'good','receipt',13212644999607,0);
INSERT INTO "readings" VALUES(436,2,1792578000000000,78.98,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(437,1,1792578600000000,26.77,'good','receipt',12006383026617,0);
INSERT INTO "readings" VALUES(438,2,1792578600000000,78.97,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(439,1,1792579200000000,26.74,'good','receipt',122154397204923,0);
INSERT INTO "readings" VALUES(440,2,1792579200000000,78.96,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(441,3,1792579500000000,28.29,'good','receipt',16034060435901,0);
INSERT INTO "readings" VALUES(442,1,1792579800000000,26.73,'good','receipt',50871306027454,0);
INSERT INTO "readings" VALUES(443,2,1792579800000000,78.95,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(444,1,1792580400000000,26.71,'good','receipt',80461856702912,0);
INSERT INTO "readings" VALUES(445,2,1792580400000000,78.93,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(446,4,1792580400000000,2062.0,'good','receipt',58268820701634,0);
INSERT INTO "readings" VALUES(447,5,1792580400000000,20.15,'good','receipt',61413099700675,0);
INSERT INTO "readings" VALUES(448,1,1792581000000000,26.7,'good','receipt',37115853537732,0);
INSERT INTO "readings" VALUES(449,2,1792581000000000,78.91,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(450,1,1792581600000000,26.7,'good','receipt',37115853537734,0);
INSERT INTO "readings" VALUES(451,2,1792581600000000,78.88,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(452,1,1792582200000000,26.7,'good','receipt',37115853537736,0);
INSERT INTO "readings" VALUES(453,2,1792582200000000,78.86,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(454,3,1792582200000000,28.3,'good','receipt',80826960314826,0);
INSERT INTO "readings" VALUES(455,1,1792582800000000,26.71,'good','receipt',80461856702923,0);
INSERT INTO "readings" VALUES(456,2,1792582800000000,78.83,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(457,1,1792583400000000,26.72,'good','receipt',68046366769613,0);
INSERT INTO "readings" VALUES(458,2,1792583400000000,78.81,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(459,1,1792584000000000,26.74,'good','receipt',122154397204943,0);
INSERT INTO "readings" VALUES(460,2,1792584000000000,78.78,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(461,4,1792584000000000,2068.0,'good','receipt',136223049777617,0);
INSERT INTO "readings" VALUES(462,5,1792584000000000,20.83,'good','receipt',87410362810834,0);
INSERT INTO "readings" VALUES(463,1,1792584600000000,26.76,'good','receipt',112062886511059,0);
INSERT INTO "readings" VALUES(464,2,1792584600000000,78.75,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(465,3,1792584900000000,28.31,'good','receipt',89305030656469,0);
INSERT INTO "readings" VALUES(466,1,1792585200000000,26.79,'good','receipt',13212644999638,0);
INSERT INTO "readings" VALUES(467,2,1792585200000000,78.71,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(468,1,1792585800000000,26.82,'good','receipt',66869576860120,0);
INSERT INTO "readings" VALUES(469,2,1792585800000000,78.68,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(470,1,1792586400000000,26.85,'good','receipt',75362808824282,0);
INSERT INTO "readings" VALUES(471,2,1792586400000000,66.65,'step','probe',NULL,0);
INSERT INTO "readings" VALUES(472,1,1792587000000000,26.88,'good','receipt',50950728974812,0);
INSERT INTO "readings" VALUES(473,2,1792587000000000,66.62,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(474,1,1792587600000000,26.92,'good','receipt',96933302895070,0);
INSERT INTO "readings" VALUES(475,2,1792587600000000,66.58,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(476,3,1792587600000000,28.32,'good','receipt',37192590754272,0);
INSERT INTO "readings" VALUES(477,4,1792587600000000,2103.0,'good','receipt',24341869756897,0);
INSERT INTO "readings" VALUES(478,5,1792587600000000,21.38,'good','receipt',99960279073250,0);
INSERT INTO "readings" VALUES(479,1,1792588200000000,26.95,'good','receipt',121599271961059,0);
INSERT INTO "readings" VALUES(480,2,1792588200000000,66.55,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(481,1,1792588800000000,26.98,'good','receipt',73594505724389,0);
INSERT INTO "readings" VALUES(482,2,1792588800000000,66.52,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(483,1,1792589400000000,27.01,'good','receipt',76741936873959,0);
INSERT INTO "readings" VALUES(484,2,1792589400000000,66.48,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(485,1,1792590000000000,27.04,'good','receipt',35700201226729,0);
INSERT INTO "readings" VALUES(486,2,1792590000000000,66.45,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(487,3,1792590300000000,28.32,'good','receipt',37192590754283,0);
INSERT INTO "readings" VALUES(488,1,1792590600000000,27.06,'good','receipt',72743783956972,0);
INSERT INTO "readings" VALUES(489,2,1792590600000000,66.42,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(490,1,1792591200000000,27.08,'good','receipt',21873010999790,0);
INSERT INTO "readings" VALUES(491,2,1792591200000000,66.39,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(492,4,1792591200000000,2135.0,'good','receipt',52642010890736,0);
INSERT INTO "readings" VALUES(493,5,1792591200000000,21.77,'good','receipt',45119569461745,0);
INSERT INTO "readings" VALUES(494,1,1792591800000000,27.09,'good','receipt',89022151197170,0);
INSERT INTO "readings" VALUES(495,2,1792591800000000,66.37,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(496,1,1792592400000000,27.1,'good','receipt',51546987430388,0);
INSERT INTO "readings" VALUES(497,2,1792592400000000,66.34,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(498,1,1792593000000000,27.1,'good','receipt',51546987430390,0);
INSERT INTO "readings" VALUES(499,2,1792593000000000,66.32,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(500,3,1792593000000000,28.33,'good','receipt',93818411418104,0);
INSERT INTO "readings" VALUES(501,1,1792593600000000,27.1,'good','receipt',51546987430393,0);
INSERT INTO "readings" VALUES(502,2,1792593600000000,66.29,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(503,1,1792594200000000,27.09,'good','receipt',89022151197179,0);
INSERT INTO "readings" VALUES(504,2,1792594200000000,66.27,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(505,1,1792594800000000,27.07,'good','receipt',88743183647229,0);
INSERT INTO "readings" VALUES(506,2,1792594800000000,78.25,'step','probe',NULL,0);
INSERT INTO "readings" VALUES(507,4,1792594800000000,2135.0,'good','receipt',52642010890751,0);
INSERT INTO "readings" VALUES(508,5,1792594800000000,21.97,'good','receipt',87481647497728,0);
INSERT INTO "readings" VALUES(509,1,1792595400000000,27.06,'good','receipt',72743783956993,0);
INSERT INTO "readings" VALUES(510,2,1792595400000000,78.24,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(511,3,1792595700000000,28.34,'good','receipt',44593241457155,0);
INSERT INTO "readings" VALUES(512,1,1792596000000000,27.03,'good','receipt',67719658471940,0);
INSERT INTO "readings" VALUES(513,2,1792596000000000,78.23,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(514,1,1792596600000000,27.01,'good','receipt',76741936873990,0);
INSERT INTO "readings" VALUES(515,2,1792596600000000,78.22,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(516,1,1792597200000000,26.98,'good','receipt',73594505724424,0);
INSERT INTO "readings" VALUES(517,2,1792597200000000,78.21,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(518,1,1792597800000000,26.94,'good','receipt',106512324297226,0);
INSERT INTO "readings" VALUES(519,2,1792597800000000,78.2,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(520,1,1792598400000000,26.91,'good','receipt',62256455483916,0);
INSERT INTO "readings" VALUES(521,2,1792598400000000,78.2,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(522,3,1792598400000000,28.34,'good','receipt',44593241457166,0);
INSERT INTO "readings" VALUES(523,4,1792598400000000,2102.0,'good','receipt',19172054860303,0);
INSERT INTO "readings" VALUES(524,5,1792598400000000,21.97,'good','receipt',87481647497744,0);
INSERT INTO "readings" VALUES(525,1,1792599000000000,26.88,'good','receipt',50950728974865,0);
INSERT INTO "readings" VALUES(526,2,1792599000000000,78.2,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(527,1,1792599600000000,26.85,'good','receipt',75362808824339,0);
INSERT INTO "readings" VALUES(528,2,1792599600000000,78.2,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(529,1,1792600200000000,26.81,'good','receipt',93656814060053,0);
INSERT INTO "readings" VALUES(530,2,1792600200000000,78.21,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(531,1,1792600800000000,26.79,'good','receipt',13212644999703,0);
INSERT INTO "readings" VALUES(532,2,1792600800000000,78.22,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(533,3,1792601100000000,28.35,'good','receipt',138711882531353,0);
INSERT INTO "readings" VALUES(534,1,1792601400000000,26.76,'good','receipt',112062886511130,0);
INSERT INTO "readings" VALUES(535,2,1792601400000000,78.23,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(536,1,1792602000000000,26.74,'good','receipt',122154397205020,0);
INSERT INTO "readings" VALUES(537,2,1792602000000000,78.24,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(538,4,1792602000000000,2068.0,'good','receipt',136223049777694,0);
INSERT INTO "readings" VALUES(539,5,1792602000000000,21.77,'good','receipt',45119569461791,0);
INSERT INTO "readings" VALUES(540,1,1792602600000000,26.72,'good','receipt',68046366769696,0);
INSERT INTO "readings" VALUES(541,2,1792602600000000,78.26,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(542,1,1792603200000000,26.71,'good','receipt',80461856703010,0);
INSERT INTO "readings" VALUES(543,2,1792603200000000,78.28,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(544,1,1792603800000000,26.7,'good','receipt',37115853537828,0);
INSERT INTO "readings" VALUES(545,2,1792603800000000,78.3,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(546,3,1792603800000000,28.36,'good','receipt',36401034953254,0);
INSERT INTO "readings" VALUES(547,1,1792604400000000,26.7,'good','receipt',37115853537831,0);
INSERT INTO "readings" VALUES(548,2,1792604400000000,78.32,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(549,1,1792605000000000,26.7,'good','receipt',37115853537833,0);
INSERT INTO "readings" VALUES(550,2,1792605000000000,78.35,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(551,1,1792605600000000,26.71,'good','receipt',80461856703019,0);
INSERT INTO "readings" VALUES(552,2,1792605600000000,78.37,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(553,4,1792605600000000,2063.0,'good','receipt',5651640025645,0);
INSERT INTO "readings" VALUES(554,5,1792605600000000,21.38,'good','receipt',99960279073326,0);
INSERT INTO "readings" VALUES(555,1,1792606200000000,26.73,'good','receipt',50871306027567,0);
INSERT INTO "readings" VALUES(556,2,1792606200000000,78.4,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(557,3,1792606500000000,28.37,'good','receipt',106325857600049,0);
INSERT INTO "readings" VALUES(558,1,1792606800000000,26.75,'good','receipt',94392485872178,0);
INSERT INTO "readings" VALUES(559,2,1792606800000000,78.43,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(560,1,1792607400000000,26.77,'good','receipt',12006383026740,0);
INSERT INTO "readings" VALUES(561,2,1792607400000000,78.46,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(562,1,1792608000000000,26.8,'good','receipt',93105550983734,0);
INSERT INTO "readings" VALUES(563,2,1792608000000000,78.49,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(564,1,1792608600000000,26.83,'good','receipt',82293927903800,0);
INSERT INTO "readings" VALUES(565,2,1792608600000000,78.53,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(566,1,1792609200000000,26.86,'good','receipt',61183683265082,0);
INSERT INTO "readings" VALUES(567,2,1792609200000000,78.56,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(568,3,1792609200000000,28.38,'good','receipt',130150214468156,0);
INSERT INTO "readings" VALUES(569,4,1792609200000000,2092.0,'good','receipt',86003597705789,0);
INSERT INTO "readings" VALUES(570,5,1792609200000000,20.83,'good','receipt',87410362810942,0);
INSERT INTO "readings" VALUES(571,1,1792609800000000,26.89,'good','receipt',42026281927231,0);
INSERT INTO "readings" VALUES(572,2,1792609800000000,78.59,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(573,1,1792610400000000,26.93,'good','receipt',46978003305025,0);
INSERT INTO "readings" VALUES(574,2,1792610400000000,78.63,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(575,1,1792611000000000,26.96,'good','receipt',12155141161539,0);
INSERT INTO "readings" VALUES(576,2,1792611000000000,78.66,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(577,1,1792611600000000,26.99,'good','receipt',27983424455237,0);
INSERT INTO "readings" VALUES(578,2,1792611600000000,78.69,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(579,3,1792611900000000,28.38,'good','receipt',130150214468167,0);
INSERT INTO "readings" VALUES(580,1,1792612200000000,27.02,'good','receipt',76055349822024,0);
INSERT INTO "readings" VALUES(581,2,1792612200000000,78.72,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(582,1,1792612800000000,27.04,'good','receipt',35700201226826,0);
INSERT INTO "readings" VALUES(583,2,1792612800000000,78.76,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(584,4,1792612800000000,2129.0,'good','receipt',98283010654796,0);
INSERT INTO "readings" VALUES(585,5,1792612800000000,20.15,'good','receipt',61413099700813,0);
INSERT INTO "readings" VALUES(586,1,1792613400000000,27.06,'good','receipt',72743783957070,0);
INSERT INTO "readings" VALUES(587,2,1792613400000000,78.79,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(588,1,1792614000000000,27.08,'good','receipt',21873010999888,0);
INSERT INTO "readings" VALUES(589,2,1792614000000000,78.81,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(590,1,1792614600000000,27.09,'good','receipt',89022151197266,0);
INSERT INTO "readings" VALUES(591,2,1792614600000000,78.84,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(592,3,1792614600000000,28.39,'good','receipt',73679628796500,0);
INSERT INTO "readings" VALUES(593,1,1792615200000000,27.1,'good','receipt',51546987430485,0);
INSERT INTO "readings" VALUES(594,2,1792615200000000,78.87,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(595,1,1792615800000000,27.1,'good','receipt',51546987430487,0);
INSERT INTO "readings" VALUES(596,2,1792615800000000,78.89,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(597,1,1792616400000000,27.09,'good','receipt',89022151197273,0);
INSERT INTO "readings" VALUES(598,2,1792616400000000,78.91,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(599,4,1792616400000000,2139.0,'good','receipt',127426438693467,0);
INSERT INTO "readings" VALUES(600,5,1792616400000000,19.39,'good','receipt',100253618274908,0);
INSERT INTO "readings" VALUES(601,1,1792617000000000,27.08,'good','receipt',21873010999901,0);
INSERT INTO "readings" VALUES(602,2,1792617000000000,78.93,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(603,3,1792617300000000,28.4,'good','receipt',40980598751839,0);
INSERT INTO "readings" VALUES(604,1,1792617600000000,27.07,'good','receipt',88743183647328,0);
INSERT INTO "readings" VALUES(605,2,1792617600000000,78.95,'good','probe',NULL,0);
INSERT INTO "readings" VALUES(606,1,1792618200000000,27.05,'good','receipt',85160568423010,0);
INSERT INTO "readings" VALUES(607,2,1792618200000000,78.97,'good','probe',NULL,0);
CREATE TABLE rejected (
        rejected_id INTEGER PRIMARY KEY AUTOINCREMENT,
        time_us INTEGER NOT NULL,
        topic TEXT NOT NULL,
        payload BLOB NOT NULL,
        reason TEXT NOT NULL
    ) STRICT;
INSERT INTO "rejected" VALUES(1,1792480200000000,'hatchery/north/temperature',X'7761726D2C2049207468696E6B','not a plain number: ''warm, I think''');
INSERT INTO "rejected" VALUES(2,1792494180000000,'hatchery/north/temperature',X'7761726D2C2049207468696E6B','not a plain number: ''warm, I think''');
INSERT INTO "rejected" VALUES(3,1792516200000000,'hatchery/north/temperature',X'FF00','not text (UTF-8)');
CREATE TABLE requests (
        request_id INTEGER PRIMARY KEY AUTOINCREMENT,
        made_us INTEGER NOT NULL,
        by TEXT NOT NULL,
        body TEXT NOT NULL,
        done_us INTEGER, ok INTEGER, answer TEXT,
        answer_to TEXT,  -- the topic that waits for the answer, where it was asked over MQTT
        ref TEXT  -- what the sender calls it
    ) STRICT;
INSERT INTO "requests" VALUES(1,1792476000000000,'keeper','{"do": "import", "cone": "north", "at": "2026-09-30T19:00:00+00:00", "lot": "river-23", "grams": 2.0, "litres": 2.0, "temp_c": 26.5, "doubt_c": 0.8, "looks": [{"h": 15.0, "seen": "few"}, {"h": 19.5, "seen": "most"}, {"h": 24.0, "seen": "complete"}]}',1792476000000000,1,'{"text": "north: lot river-23, begun 2026-09-30 21:00, taken from the notebook, 3 looks.", "cone": "north"}',NULL,NULL);
INSERT INTO "requests" VALUES(2,1792476360000000,'keeper','{"do": "brood", "brood": "reeds", "fry": 150, "swam": "2026-10-05", "loss_per_day": 0.01}',1792476360000000,1,'{"text": "Brood reeds: 150 fry swim freely since 2026-10-05, ramp small, 1 % lost a day.", "cone": null, "age_days": 15}',NULL,NULL);
INSERT INTO "requests" VALUES(3,1792476360000000,'keeper','{"do": "stock", "lot": "river-23", "grams": 60.0, "opened": "2026-10-01", "price_per_kg": 180.0}',1792476360000000,1,'{"text": "Lot river-23: 60 g in stock, opened 2026-10-01, 180 a kilogram.", "cone": null, "lot": "river-23"}',NULL,NULL);
INSERT INTO "requests" VALUES(4,1792476360000000,'keeper','{"do": "brood", "brood": "moss", "fry": 60, "swam": "2026-10-18", "mouth": "tiny", "ends": "2026-12-01"}',1792476360000000,1,'{"text": "Brood moss: 60 fry swim freely since 2026-10-18, ramp tiny, nauplii until 2026-12-01.", "cone": null, "age_days": 2}',NULL,NULL);
INSERT INTO "requests" VALUES(5,1792477800000000,'keeper','{"do": "begin", "cone": "north", "lot": "river-23", "grams": 2.0, "litres": 2.0, "set_point_c": 27.0, "salinity": 28.0}',1792477800000000,1,'{"text": "north: 2 g of lot river-23 begun 08:30. Ready tomorrow about 04:42, between 00:20 and 10:06. Harvest before tomorrow 07:38.", "cone": "north"}',NULL,NULL);
INSERT INTO "requests" VALUES(6,1792479600000000,'keeper','{"do": "begin", "cone": "bench", "lot": "lake \u00e9 4", "grams": 1.5, "litres": 1.0, "set_point_c": 26.0}',1792479600000000,1,'{"text": "bench: 1.5 g of lot lake \u00e9 4 (its first batch here) begun 09:00. Ready tomorrow about 08:02, between 01:10 and 18:05. Harvest before tomorrow 09:27.", "cone": "bench"}',NULL,NULL);
INSERT INTO "requests" VALUES(7,1792485000000000,'keeper','{"do": "reading", "cone": "north", "value": 26.5}',1792485000000000,1,'{"text": "north: temperature 26.5 C at 10:30 noted. Ready tomorrow 04:42 -> tomorrow 04:44, band 0.0 h wider. Ready tomorrow about 04:44, between 00:22 and 10:10. Harvest before tomorrow 07:47.", "cone": "north"}',NULL,NULL);
INSERT INTO "requests" VALUES(8,1792485000000000,'keeper','{"do": "begin", "cone": "north", "lot": "river-23", "grams": 1.0}',1792485000000000,0,'{"text": "north still holds lot river-23, begun 08:30. Finish it first: hatchmon harvest north (or with --discard)."}',NULL,NULL);
INSERT INTO "requests" VALUES(9,1792531800000000,'keeper','{"do": "look", "cone": "north", "seen": "few"}',1792531800000000,1,'{"text": "north: noted ''few'' at 23:30, 15.0 h after the start. Ready 04:55 -> 06:00, band 4.5 h narrower. Ready about 06:00, between 03:52 and 09:04. Harvest before 08:46.", "cone": "north"}',NULL,NULL);
INSERT INTO "requests" VALUES(10,1792539000000000,'hatchmon/shed/north/request (shelf button)','{"do": "look", "seen": "some", "cone": "north"}',1792539000000000,1,'{"text": "north: noted ''some'' at 01:30, 17.0 h after the start. Ready 06:08 -> 06:07, band 1.1 h narrower. Ready about 06:07, between 04:24 and 08:39. Harvest before 08:54.", "cone": "north"}','hatchmon/shed/north/answer','7');
INSERT INTO "requests" VALUES(11,1792542600000000,'keeper','{"do": "look", "cone": "north", "seen": "some"}',1792542600000000,1,'{"text": "north: noted ''some'' at 02:30, 18.0 h after the start. Ready 06:06 -> 06:45, band 0.2 h narrower. Ready about 06:45, between 05:08 and 09:08. Harvest before 09:22.", "cone": "north"}',NULL,NULL);
INSERT INTO "requests" VALUES(12,1792542600000000,'keeper','{"do": "look", "cone": "north", "seen": "none"}',1792542600000000,1,'{"text": "north: noted ''none'' at 02:30, 18.0 h after the start. It contradicts ''few'' at 23:30: nothing unhatches. Take back the slip of the pen (hatchmon look north --undo --at TIME). Ready 06:45 -> 06:46, band 0.1 h wider. Ready about 06:46, between 05:09 and 09:13. Harvest before 09:22.", "cone": "north"}',NULL,NULL);
INSERT INTO "requests" VALUES(13,1792542600000000,'keeper','{"do": "look", "cone": "north", "undo": true}',1792542600000000,1,'{"text": "north: took back ''none'' at 02:30, 18.0 h after the start. Ready 06:46 -> 06:06, band 0.2 h wider. Ready about 06:06, between 04:24 and 08:37. Harvest before 08:55.", "cone": "north"}',NULL,NULL);
INSERT INTO "requests" VALUES(14,1792546200000000,'keeper','{"do": "look", "cone": "bench", "seen": "30 %"}',1792546200000000,1,'{"text": "bench: noted ''30 %'' at 03:30, 18.5 h after the start. Ready 08:15 -> 10:07, band 6.9 h narrower. Ready about 10:07, between 06:44 and 16:51. Harvest before 11:44.", "cone": "bench"}',NULL,NULL);
INSERT INTO "requests" VALUES(15,1792553400000000,'keeper','{"do": "look", "cone": "north", "seen": "most"}',1792553400000000,1,'{"text": "north: noted ''most'' at 05:30, 21.0 h after the start. Ready 06:02 -> 07:22, band 0.5 h narrower. Ready about 07:22, between 05:54 and 09:35. Harvest before 09:22.", "cone": "north"}',NULL,NULL);
INSERT INTO "requests" VALUES(16,1792553400000000,'keeper','{"do": "seen", "cone": "north"}',1792553400000000,1,'{"text": "north: seen: no temperature since 15:30.", "cone": null}',NULL,NULL);
INSERT INTO "requests" VALUES(17,1792566000000000,'keeper','{"do": "look", "cone": "north", "seen": "nearly all"}',1792566000000000,1,'{"text": "north: noted ''nearly all'' at 09:00, 24.5 h after the start. Ready 07:24 -> 08:13, band 0.5 h narrower. Ready now. Harvest before 09:34.", "cone": "north"}',NULL,NULL);
INSERT INTO "requests" VALUES(18,1792566000000000,'keeper','{"do": "harvest", "cone": "north", "cold_c": 5.0}',1792566000000000,1,'{"text": "north: lot river-23 harvested 09:00, after 24.5 h. In the cold store at 5.0 \u00b0C: use before tomorrow 09:00. Aerate it slightly, or they sink and suffocate; at most 8 million nauplii a litre. Keep it apart from food.", "cone": "north"}',NULL,NULL);
INSERT INTO "requests" VALUES(19,1792566720000000,'keeper','{"do": "count", "cone": "north", "sample_ml": 0.25, "nauplii": [96, 104, 88], "umbrella": [4, 6, 3], "unhatched": [31, 28, 35], "litres": 2.0}',1792566720000000,1,'{"text": "north: counted at 09:12 for lot river-23, harvested 09:00. About 73 % of full cysts hatched, between 69 and 76 %. About 384,000 nauplii per gram of cysts, between 338,000 and 436,000: 764 mg dry, between 604 and 966.", "cone": "north", "batch": 2, "lot": "river-23", "hatched_share": {"value": 0.7291, "low": 0.6918, "high": 0.7638}, "nauplii_per_gram": {"value": 384000.0, "low": 337634.0, "high": 435812.0}, "output_mg_per_g": {"value": 764.2, "low": 603.8, "high": 966.1}}',NULL,NULL);
INSERT INTO "requests" VALUES(20,1792567800000000,'keeper','{"do": "harvest", "cone": "bench", "discard": true}',1792567800000000,1,'{"text": "bench: lot lake \u00e9 4 discarded 09:30, after 24.5 h.", "cone": "bench"}',NULL,NULL);
INSERT INTO "requests" VALUES(21,1792569600000000,'keeper','{"do": "begin", "cone": "north", "lot": "river-23", "grams": 2.5, "litres": 2.0, "set_point_c": 27.0, "salinity": 28.0}',1792569600000000,1,'{"text": "north: 2.5 g of lot river-23 begun 10:00. Ready tomorrow about 08:18, between 04:05 and 12:47. Harvest before tomorrow 09:53.", "cone": "north"}',NULL,NULL);
INSERT INTO "requests" VALUES(22,1792571400000000,'keeper','{"do": "begin", "cone": "bench", "lot": "lake \u00e9 4", "grams": 1.5, "litres": 1.0, "set_point_c": 26.0, "at": "2026-10-21T07:54:00+00:00"}',1792571400000000,1,'{"text": "bench: 1.5 g of lot lake \u00e9 4 begun 09:54. Ready tomorrow about 09:14, between 02:19 and 19:23. Harvest before tomorrow 10:37.", "cone": "bench"}',NULL,NULL);
INSERT INTO "requests" VALUES(23,1792575000000000,'keeper','{"do": "plan", "plan": {"version": 1, "made": "2026-10-21T09:30:00+00:00", "days": 2, "wanted": 0.9, "starts": [], "feedings": [{"at": "2026-10-21T16:30:00+00:00", "nauplii": 10947, "instar1": 0, "by_brood": {"reeds": 10947}, "chance": 1.0, "short": 0.0, "met": true, "starts": [], "on_hand": ["north, in the cold store"]}, {"at": "2026-10-22T05:30:00+00:00", "nauplii": 11515, "instar1": 0, "by_brood": {"reeds": 11515}, "chance": 1.0, "short": 0.0, "met": true, "starts": [], "on_hand": ["north, in the cold store"]}, {"at": "2026-10-22T16:30:00+00:00", "nauplii": 11515, "instar1": 0, "by_brood": {"reeds": 11515}, "chance": 1.0, "short": 0.0, "met": true, "starts": [], "on_hand": ["north, running"]}, {"at": "2026-10-23T05:30:00+00:00", "nauplii": 12071, "instar1": 0, "by_brood": {"reeds": 12071}, "chance": 0.983, "short": 0.017, "met": true, "starts": [], "on_hand": ["bench, running", "north, running"]}], "hand": [{"at": "2026-10-21T09:30:00+00:00", "usable": [679935, 770080, 869093], "instar1": [679935, 770080, 869093]}, {"at": "2026-10-21T10:30:00+00:00", "usable": [679935, 770080, 869093], "instar1": [679935, 770080, 869093]}, {"at": "2026-10-21T11:30:00+00:00", "usable": [679935, 770080, 869093], "instar1": [679935, 770080, 869093]}, {"at": "2026-10-21T12:30:00+00:00", "usable": [679935, 770080, 869093], "instar1": [679935, 770080, 869093]}, {"at": "2026-10-21T13:30:00+00:00", "usable": [679935, 770080, 869093], "instar1": [679935, 770080, 869093]}, {"at": "2026-10-21T14:30:00+00:00", "usable": [679935, 770080, 869093], "instar1": [679935, 770080, 869093]}, {"at": "2026-10-21T15:30:00+00:00", "usable": [679935, 770080, 869093], "instar1": [679935, 770080, 869093]}, {"at": "2026-10-21T16:30:00+00:00", "usable": [668988, 759453, 859567], "instar1": [668988, 759453, 859567]}, {"at": "2026-10-21T17:30:00+00:00", "usable": [668988, 759453, 859567], "instar1": [668988, 759453, 859567]}, {"at": "2026-10-21T18:30:00+00:00", "usable": [668988, 759453, 859567], "instar1": [668988, 759453, 859567]}, {"at": "2026-10-21T19:30:00+00:00", "usable": [668988, 759934, 863018], "instar1": [668988, 759934, 863018]}, {"at": "2026-10-21T20:30:00+00:00", "usable": [669583, 762025, 873997], "instar1": [669583, 762025, 873997]}, {"at": "2026-10-21T21:30:00+00:00", "usable": [669583, 762025, 873997], "instar1": [669583, 762025, 873997]}, {"at": "2026-10-21T22:30:00+00:00", "usable": [669583, 762025, 873997], "instar1": [669583, 762025, 873997]}, {"at": "2026-10-21T23:30:00+00:00", "usable": [669583, 762025, 873997], "instar1": [669583, 760737, 868304]}, {"at": "2026-10-22T00:30:00+00:00", "usable": [669583, 762025, 873997], "instar1": [669583, 760737, 867298]}, {"at": "2026-10-22T01:30:00+00:00", "usable": [669583, 762025, 873997], "instar1": [669583, 759453, 860453]}, {"at": "2026-10-22T02:30:00+00:00", "usable": [669583, 762025, 873997], "instar1": [668988, 759133, 858146]}, {"at": "2026-10-22T03:30:00+00:00", "usable": [669583, 762025, 873997], "instar1": [668988, 759133, 858146]}, {"at": "2026-10-22T04:30:00+00:00", "usable": [690317, 878102, 1844603], "instar1": [684355, 813238, 1666103]}, {"at": "2026-10-22T05:30:00+00:00", "usable": [691603, 1053625, 1974980], "instar1": [672313, 811452, 1724430]}, {"at": "2026-10-22T06:30:00+00:00", "usable": [719719, 1368276, 2075434], "instar1": [673833, 813177, 1756351]}, {"at": "2026-10-22T07:30:00+00:00", "usable": [0, 781959, 1336235], "instar1": [0, 0, 814573]}, {"at": "2026-10-22T08:30:00+00:00", "usable": [0, 781959, 1336235], "instar1": [0, 0, 0]}, {"at": "2026-10-22T09:30:00+00:00", "usable": [0, 781959, 1336235], "instar1": [0, 0, 0]}, {"at": "2026-10-22T10:30:00+00:00", "usable": [0, 781959, 1336235], "instar1": [0, 0, 0]}, {"at": "2026-10-22T11:30:00+00:00", "usable": [0, 781959, 1336235], "instar1": [0, 0, 0]}, {"at": "2026-10-22T12:30:00+00:00", "usable": [0, 781959, 1336235], "instar1": [0, 0, 0]}, {"at": "2026-10-22T13:30:00+00:00", "usable": [0, 781959, 1336235], "instar1": [0, 0, 0]}, {"at": "2026-10-22T14:30:00+00:00", "usable": [0, 781959, 1336235], "instar1": [0, 0, 0]}, {"at": "2026-10-22T15:30:00+00:00", "usable": [829995, 1152559, 1615724], "instar1": [0, 0, 0]}, {"at": "2026-10-22T16:30:00+00:00", "usable": [826006, 1149640, 1607836], "instar1": [0, 0, 0]}, {"at": "2026-10-22T17:30:00+00:00", "usable": [831420, 1152981, 1616838], "instar1": [0, 0, 0]}, {"at": "2026-10-22T18:30:00+00:00", "usable": [841314, 1160835, 1618331], "instar1": [0, 0, 0]}, {"at": "2026-10-22T19:30:00+00:00", "usable": [843974, 1165313, 1618331], "instar1": [0, 0, 0]}, {"at": "2026-10-22T20:30:00+00:00", "usable": [867779, 1172643, 1618331], "instar1": [0, 0, 0]}, {"at": "2026-10-22T21:30:00+00:00", "usable": [867474, 1172643, 1618331], "instar1": [0, 0, 0]}, {"at": "2026-10-22T22:30:00+00:00", "usable": [865954, 1172643, 1618331], "instar1": [0, 0, 0]}, {"at": "2026-10-22T23:30:00+00:00", "usable": [863770, 1170066, 1618331], "instar1": [0, 0, 0]}, {"at": "2026-10-23T00:30:00+00:00", "usable": [855535, 1166300, 1614699], "instar1": [0, 0, 0]}, {"at": "2026-10-23T01:30:00+00:00", "usable": [843937, 1165313, 1603640], "instar1": [0, 0, 0]}, {"at": "2026-10-23T02:30:00+00:00", "usable": [835416, 1164034, 1599223], "instar1": [0, 0, 0]}, {"at": "2026-10-23T03:30:00+00:00", "usable": [802047, 1139885, 1594285], "instar1": [0, 0, 0]}, {"at": "2026-10-23T04:30:00+00:00", "usable": [732760, 1137817, 1596021], "instar1": [0, 0, 0]}, {"at": "2026-10-23T05:30:00+00:00", "usable": [428232, 1112004, 1561694], "instar1": [0, 0, 0]}, {"at": "2026-10-23T06:30:00+00:00", "usable": [204494, 1057934, 1526702], "instar1": [0, 0, 0]}, {"at": "2026-10-23T07:30:00+00:00", "usable": [150333, 975612, 1514750], "instar1": [0, 0, 0]}, {"at": "2026-10-23T08:30:00+00:00", "usable": [0, 832289, 1453287], "instar1": [0, 0, 0]}, {"at": "2026-10-23T09:30:00+00:00", "usable": [0, 537966, 1328925], "instar1": [0, 0, 0]}], "grams": {}, "cost": 0, "wasted": 1970596, "gap": 0.0, "proven": true, "failing": null, "running_out": [], "broods": [{"brood": "moss", "fry": 60, "swam": "2026-10-18", "mouth": "tiny", "ramp": "tiny", "age_days": 3, "left": 60, "nauplii_today": 0, "foods_today": ["infusoria"], "first_nauplii": "2026-10-26", "ends": "2026-12-01"}, {"brood": "reeds", "fry": 150, "swam": "2026-10-05", "mouth": "small", "ramp": "small", "age_days": 16, "left": 128, "nauplii_today": 21895, "foods_today": ["nauplii"], "first_nauplii": "2026-10-08", "ends": null}], "energy": {}, "notes": []}}',1792575000000000,1,'{"text": "The plan is issued.", "cone": null, "plan": 1}',NULL,NULL);
INSERT INTO "requests" VALUES(24,1792582200000000,'keeper','{"do": "harvest", "cone": "north", "used_up": true}',1792582200000000,1,'{"text": "north: lot river-23, in the cold store since 09:00, used up 13:30.", "cone": "north", "batch": 2, "lot": "river-23"}',NULL,NULL);
INSERT INTO "requests" VALUES(25,1792600200000000,'keeper','{"do": "seen"}',1792600200000000,1,'{"text": "seen: bench: cold, 19.2 \u00b0C (and 4 before it).", "cone": null}',NULL,NULL);
INSERT INTO "requests" VALUES(26,1792614600000000,'keeper','{"do": "look", "cone": "north", "seen": "few"}',1792614600000000,1,'{"text": "north: noted ''few'' at 22:30, 12.5 h after the start. Ready 08:37 -> 07:06, band 3.4 h narrower. Ready about 07:06, between 04:37 and 10:00. Harvest before 08:56.", "cone": "north"}',NULL,NULL);
CREATE TABLE series_refused (
        feed TEXT NOT NULL, seq INTEGER NOT NULL, line TEXT NOT NULL, reason TEXT NOT NULL,
        PRIMARY KEY (feed, seq)
    ) STRICT;
INSERT INTO "series_refused" VALUES('alerts',3,'alert,site=shed urgency=2 1','partial write: field type conflict');
CREATE TABLE standings (
        kind TEXT NOT NULL, scope TEXT NOT NULL, raised_us INTEGER, last_us INTEGER,
        PRIMARY KEY (kind, scope)
    ) STRICT;
INSERT INTO "standings" VALUES('silent','batch 2',NULL,1792504860000000);
INSERT INTO "standings" VALUES('silent','batch 3',NULL,1792504860000000);
INSERT INTO "standings" VALUES('ready-soon','batch 2',1792558500000000,1792558500000000);
INSERT INTO "standings" VALUES('ready','batch 2',1792560300000000,1792560300000000);
INSERT INTO "standings" VALUES('closing','batch 2',1792564260000000,1792564260000000);
INSERT INTO "standings" VALUES('cold','batch 5',NULL,1792589400000000);
CREATE TABLE stock (  -- what is left of a lot: grams at a time, less what was begun since
        lot TEXT PRIMARY KEY REFERENCES lots,
        grams REAL NOT NULL,
        weighed_us INTEGER NOT NULL,
        opened TEXT,  -- the local day the tin was opened
        price_per_kg REAL
    ) STRICT;
INSERT INTO "stock" VALUES('river-23',60.0,1792476360000000,'2026-10-01',180.0);
CREATE TABLE streams (
        stream_id INTEGER PRIMARY KEY,
        cone TEXT NOT NULL REFERENCES cones,
        quantity TEXT NOT NULL,
        unit TEXT NOT NULL,
        topic TEXT NOT NULL,  -- empty: taken by hand
        UNIQUE (cone, quantity, unit, topic)
    ) STRICT;
INSERT INTO "streams" VALUES(1,'north','temperature','C','hatchery/north/temperature');
INSERT INTO "streams" VALUES(2,'bench','temperature','F','greenhouse/bench');
INSERT INTO "streams" VALUES(3,'north','salinity','g/L','hatchery/north/salinity');
INSERT INTO "streams" VALUES(4,'bench','light','lux','hatchery/bench/light');
INSERT INTO "streams" VALUES(5,'bench','air_temperature','C','hatchery/bench/air_temperature');
INSERT INTO "streams" VALUES(6,'north','temperature','C','');
CREATE UNIQUE INDEX readings_filed ON readings (stream_id, time_us) WHERE filed > 0;
CREATE VIEW by_stream AS  -- to be asked for one stream: both halves are quick
        SELECT seq, stream_id, time_us, raw, verdict FROM readings WHERE filed > 0
        UNION ALL SELECT seq, stream_id, time_us, raw, verdict FROM readings
        WHERE filed = 0 AND seq > (SELECT up_to FROM filing);
CREATE UNIQUE INDEX one_running_batch ON batches (cone) WHERE ended_us IS NULL;
CREATE INDEX looks_of_batch ON looks (batch_id);
CREATE INDEX counts_of_batch ON counts (batch_id);
CREATE INDEX forecasts_of_batch ON forecasts (batch_id, issued_us);
CREATE INDEX alerts_in_time ON alerts (raised_us);
CREATE INDEX alerts_of_scope ON alerts (scope);
CREATE INDEX letters_due ON letters (letter_id) WHERE state = 'due';
CREATE INDEX requests_by_ref ON requests (ref) WHERE ref IS NOT NULL;
CREATE INDEX requests_in_time ON requests (made_us);
CREATE INDEX requests_open ON requests (request_id) WHERE done_us IS NULL;
CREATE INDEX undated_changes ON batch_changes (change_id) WHERE time_us IS NULL;
CREATE TRIGGER batch_made AFTER INSERT ON batches
        BEGIN INSERT INTO batch_changes (batch_id) VALUES (new.batch_id); END;
CREATE TRIGGER batch_changed AFTER UPDATE ON batches
        BEGIN INSERT INTO batch_changes (batch_id) VALUES (new.batch_id); END;
CREATE TRIGGER batch_dropped AFTER DELETE ON batches BEGIN
        INSERT INTO batch_changes (batch_id, cone, lot, started_us)
        VALUES (old.batch_id, old.cone, old.lot, old.started_us); END;
CREATE TRIGGER look_noted AFTER INSERT ON looks
        BEGIN INSERT INTO batch_changes (batch_id) VALUES (new.batch_id); END;
CREATE TRIGGER look_dropped AFTER DELETE ON looks
        BEGIN INSERT INTO batch_changes (batch_id) VALUES (old.batch_id); END;
CREATE TRIGGER count_noted AFTER INSERT ON counts
        BEGIN INSERT INTO batch_changes (batch_id) VALUES (new.batch_id); END;
CREATE TRIGGER count_dropped AFTER DELETE ON counts
        BEGIN INSERT INTO batch_changes (batch_id) VALUES (old.batch_id); END;
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('requests',26);
INSERT INTO "sqlite_sequence" VALUES('batch_changes',22);
INSERT INTO "sqlite_sequence" VALUES('batches',5);
INSERT INTO "sqlite_sequence" VALUES('looks',11);
INSERT INTO "sqlite_sequence" VALUES('forecasts',215);
INSERT INTO "sqlite_sequence" VALUES('rejected',3);
INSERT INTO "sqlite_sequence" VALUES('alerts',6);
INSERT INTO "sqlite_sequence" VALUES('counts',1);
INSERT INTO "sqlite_sequence" VALUES('plans',1);
COMMIT;
