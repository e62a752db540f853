-- A store on PostgreSQL as the linklag of this schema made it; by pg_dump --inserts. Stays as it is.
SET statement_timeout = 0;
SET lock_timeout = 0;
SET idle_in_transaction_session_timeout = 0;
SET client_encoding = 'UTF8';
SET standard_conforming_strings = on;
SELECT pg_catalog.set_config('search_path', '', false);
SET check_function_bodies = false;
SET xmloption = content;
SET client_min_messages = warning;
SET row_security = off;
CREATE FUNCTION public.chain_removal_is_never_changed() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of chain_removal is never changed' USING ERRCODE = 'restrict_violation'; END $$;
CREATE FUNCTION public.chain_removal_is_never_deleted() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of chain_removal is never deleted' USING ERRCODE = 'restrict_violation'; END $$;
CREATE FUNCTION public.chain_removal_is_never_emptied() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of chain_removal is never emptied' USING ERRCODE = 'restrict_violation'; END $$;
CREATE FUNCTION public.handover_is_never_changed() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of handover is never changed' USING ERRCODE = 'restrict_violation'; END $$;
CREATE FUNCTION public.handover_is_never_deleted() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of handover is never deleted' USING ERRCODE = 'restrict_violation'; END $$;
CREATE FUNCTION public.handover_is_never_emptied() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of handover is never emptied' USING ERRCODE = 'restrict_violation'; END $$;
CREATE FUNCTION public.handover_receipt_is_never_changed() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of handover_receipt is never changed' USING ERRCODE = 'restrict_violation'; END $$;
CREATE FUNCTION public.handover_receipt_is_never_deleted() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of handover_receipt is never deleted' USING ERRCODE = 'restrict_violation'; END $$;
CREATE FUNCTION public.handover_receipt_is_never_emptied() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of handover_receipt is never emptied' USING ERRCODE = 'restrict_violation'; END $$;
CREATE FUNCTION public.handover_signature_is_never_changed() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of handover_signature is never changed' USING ERRCODE = 'restrict_violation'; END $$;
CREATE FUNCTION public.handover_signature_is_never_deleted() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of handover_signature is never deleted' USING ERRCODE = 'restrict_violation'; END $$;
CREATE FUNCTION public.handover_signature_is_never_emptied() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of handover_signature is never emptied' USING ERRCODE = 'restrict_violation'; END $$;
CREATE FUNCTION public.inspection_is_never_changed() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of inspection is never changed' USING ERRCODE = 'restrict_violation'; END $$;
CREATE FUNCTION public.inspection_is_never_deleted() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of inspection is never deleted' USING ERRCODE = 'restrict_violation'; END $$;
CREATE FUNCTION public.inspection_is_never_emptied() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of inspection is never emptied' USING ERRCODE = 'restrict_violation'; END $$;
CREATE FUNCTION public.note_is_never_changed() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of note is never changed' USING ERRCODE = 'restrict_violation'; END $$;
CREATE FUNCTION public.note_is_never_deleted() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of note is never deleted' USING ERRCODE = 'restrict_violation'; END $$;
CREATE FUNCTION public.note_is_never_emptied() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'a row of note is never emptied' USING ERRCODE = 'restrict_violation'; END $$;
SET default_tablespace = '';
SET default_table_access_method = heap;
CREATE TABLE public.alembic_version (
    version_num character varying(32) NOT NULL
);
CREATE TABLE public.alert (
    alert_id text NOT NULL COLLATE pg_catalog."C",
    drive_id text NOT NULL COLLATE pg_catalog."C",
    kind text NOT NULL COLLATE pg_catalog."C",
    seq bigint NOT NULL,
    number bigint NOT NULL,
    annunciation text NOT NULL COLLATE pg_catalog."C",
    held text NOT NULL COLLATE pg_catalog."C",
    priority bigint NOT NULL,
    occurrences bigint NOT NULL,
    since_ns bigint,
    changed_ns bigint NOT NULL,
    cleared_ns bigint,
    facts text COLLATE pg_catalog."C",
    acknowledged_by text NOT NULL COLLATE pg_catalog."C",
    acknowledged_ns bigint,
    work_order text NOT NULL COLLATE pg_catalog."C",
    last_event text COLLATE pg_catalog."C",
    last_by text NOT NULL COLLATE pg_catalog."C",
    stands integer NOT NULL,
    CONSTRAINT something_happened CHECK ((seq > 0))
);
CREATE TABLE public.alert_transition (
    number bigint NOT NULL,
    alert_id text NOT NULL COLLATE pg_catalog."C",
    seq bigint NOT NULL,
    drive_id text NOT NULL COLLATE pg_catalog."C",
    kind text NOT NULL COLLATE pg_catalog."C",
    event text NOT NULL COLLATE pg_catalog."C",
    by_whom text NOT NULL COLLATE pg_catalog."C",
    why text NOT NULL COLLATE pg_catalog."C",
    true_ns bigint NOT NULL,
    recorded_ns bigint NOT NULL,
    until_ns bigint,
    facts text COLLATE pg_catalog."C",
    asked_priority bigint,
    work_order text NOT NULL COLLATE pg_catalog."C",
    key text COLLATE pg_catalog."C",
    before text NOT NULL COLLATE pg_catalog."C",
    after text NOT NULL COLLATE pg_catalog."C",
    holds_before text NOT NULL COLLATE pg_catalog."C",
    holds text NOT NULL COLLATE pg_catalog."C",
    annunciates integer NOT NULL,
    priority bigint NOT NULL
);
CREATE SEQUENCE public.alert_transition_number_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.alert_transition_number_seq OWNED BY public.alert_transition.number;
CREATE TABLE public.audit_entry (
    number bigint NOT NULL,
    at_ns bigint NOT NULL,
    by text NOT NULL COLLATE pg_catalog."C",
    what text NOT NULL COLLATE pg_catalog."C",
    subject text NOT NULL COLLATE pg_catalog."C",
    old text NOT NULL COLLATE pg_catalog."C",
    new text NOT NULL COLLATE pg_catalog."C",
    why text NOT NULL COLLATE pg_catalog."C"
);
CREATE SEQUENCE public.audit_entry_number_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.audit_entry_number_seq OWNED BY public.audit_entry.number;
CREATE TABLE public.baseline (
    number bigint NOT NULL,
    chain_id text NOT NULL COLLATE pg_catalog."C",
    pitches_between double precision NOT NULL,
    pitches_between_u double precision NOT NULL,
    elongation_pct double precision NOT NULL,
    elongation_u_pct double precision NOT NULL,
    taken_ns bigint NOT NULL,
    recorded_ns bigint NOT NULL,
    recorded_by text NOT NULL COLLATE pg_catalog."C",
    why text NOT NULL COLLATE pg_catalog."C",
    up_alternation_pct double precision,
    down_alternation_pct double precision
);
CREATE SEQUENCE public.baseline_number_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.baseline_number_seq OWNED BY public.baseline.number;
CREATE TABLE public.chain (
    chain_id text NOT NULL COLLATE pg_catalog."C",
    drive_id text NOT NULL COLLATE pg_catalog."C",
    designation text NOT NULL COLLATE pg_catalog."C",
    pitch_mm double precision NOT NULL,
    strands bigint NOT NULL,
    pitches_in_loop bigint,
    fitted_ns bigint NOT NULL,
    removed_ns bigint,
    removed_why text NOT NULL COLLATE pg_catalog."C",
    note text NOT NULL COLLATE pg_catalog."C",
    CONSTRAINT removed_after_fitted CHECK ((removed_ns > fitted_ns))
);
CREATE TABLE public.chain_map (
    chain_id text NOT NULL COLLATE pg_catalog."C",
    folded_to_ns bigint NOT NULL,
    state text NOT NULL COLLATE pg_catalog."C"
);
CREATE TABLE public.chain_number (
    chain_no integer NOT NULL,
    chain_id text NOT NULL COLLATE pg_catalog."C"
);
CREATE SEQUENCE public.chain_number_chain_no_seq
    AS integer
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.chain_number_chain_no_seq OWNED BY public.chain_number.chain_no;
CREATE TABLE public.chain_removal (
    number bigint NOT NULL,
    chain_id text NOT NULL COLLATE pg_catalog."C",
    kind text NOT NULL COLLATE pg_catalog."C",
    elongation_pct double precision,
    u_pct double precision,
    source text NOT NULL COLLATE pg_catalog."C",
    measured_ns bigint,
    passages double precision,
    hours double precision,
    by_whom text NOT NULL COLLATE pg_catalog."C",
    recorded_ns bigint NOT NULL,
    note text NOT NULL COLLATE pg_catalog."C"
);
CREATE SEQUENCE public.chain_removal_number_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.chain_removal_number_seq OWNED BY public.chain_removal.number;
CREATE TABLE public.delivery (
    route_id text NOT NULL COLLATE pg_catalog."C",
    "position" bigint NOT NULL,
    failures bigint NOT NULL,
    failing_since_ns bigint,
    next_try_ns bigint NOT NULL,
    error text NOT NULL COLLATE pg_catalog."C",
    error_ns bigint,
    success_ns bigint,
    sent bigint NOT NULL,
    off_why text NOT NULL COLLATE pg_catalog."C",
    test_ns bigint,
    test_error text NOT NULL COLLATE pg_catalog."C"
);
CREATE TABLE public.device_state (
    drive_id text NOT NULL COLLATE pg_catalog."C",
    online integer NOT NULL,
    since_ns bigint NOT NULL
);
CREATE TABLE public.drive (
    drive_id text NOT NULL COLLATE pg_catalog."C",
    name text NOT NULL COLLATE pg_catalog."C",
    site text NOT NULL COLLATE pg_catalog."C",
    area text NOT NULL COLLATE pg_catalog."C",
    line text NOT NULL COLLATE pg_catalog."C",
    drive_class text NOT NULL COLLATE pg_catalog."C",
    offset_pitches double precision NOT NULL,
    spacing_u_mm double precision NOT NULL,
    driver_teeth bigint,
    driven_teeth bigint,
    up_to_driver_mm double precision,
    fixed_centres integer NOT NULL,
    parallel_strands integer NOT NULL,
    own_limit_pct double precision,
    temp_ref_c double precision NOT NULL,
    temp_range_k double precision NOT NULL,
    mount_expansion_per_k double precision NOT NULL,
    load_ref_n double precision,
    strain_pct_per_kn double precision,
    load_u_pct double precision NOT NULL,
    note text NOT NULL COLLATE pg_catalog."C",
    retired_ns bigint,
    whole_pitches bigint,
    strain_u_pct_per_kn double precision,
    delay_us double precision,
    delay_u_us double precision DEFAULT 0 NOT NULL,
    strand_group text DEFAULT ''::text NOT NULL COLLATE pg_catalog."C"
);
CREATE TABLE public.drive_history (
    drive_id text NOT NULL COLLATE pg_catalog."C",
    version bigint NOT NULL,
    recorded_ns bigint NOT NULL,
    name text NOT NULL COLLATE pg_catalog."C",
    site text NOT NULL COLLATE pg_catalog."C",
    area text NOT NULL COLLATE pg_catalog."C",
    line text NOT NULL COLLATE pg_catalog."C",
    drive_class text NOT NULL COLLATE pg_catalog."C",
    offset_pitches double precision NOT NULL,
    spacing_u_mm double precision NOT NULL,
    driver_teeth bigint,
    driven_teeth bigint,
    up_to_driver_mm double precision,
    fixed_centres integer NOT NULL,
    parallel_strands integer NOT NULL,
    own_limit_pct double precision,
    temp_ref_c double precision NOT NULL,
    temp_range_k double precision NOT NULL,
    mount_expansion_per_k double precision NOT NULL,
    load_ref_n double precision,
    strain_pct_per_kn double precision,
    load_u_pct double precision NOT NULL,
    note text NOT NULL COLLATE pg_catalog."C",
    retired_ns bigint,
    whole_pitches bigint,
    strain_u_pct_per_kn double precision,
    delay_us double precision,
    delay_u_us double precision DEFAULT 0 NOT NULL,
    strand_group text DEFAULT ''::text NOT NULL COLLATE pg_catalog."C"
);
CREATE TABLE public.drive_number (
    drive_no integer NOT NULL,
    drive_id text NOT NULL COLLATE pg_catalog."C",
    longest_window_ns bigint NOT NULL
);
CREATE SEQUENCE public.drive_number_drive_no_seq
    AS integer
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.drive_number_drive_no_seq OWNED BY public.drive_number.drive_no;
CREATE TABLE public.due (
    resolution_s integer NOT NULL,
    end_ns bigint NOT NULL,
    drive_no integer NOT NULL
);
CREATE TABLE public.duty_plan (
    drive_id text NOT NULL COLLATE pg_catalog."C",
    hours_1 double precision NOT NULL,
    hours_2 double precision NOT NULL,
    hours_3 double precision NOT NULL,
    hours_4 double precision NOT NULL,
    hours_5 double precision NOT NULL,
    hours_6 double precision NOT NULL,
    hours_7 double precision NOT NULL,
    clock_per_hour double precision,
    why text NOT NULL COLLATE pg_catalog."C",
    by_whom text NOT NULL COLLATE pg_catalog."C",
    at_ns bigint NOT NULL
);
CREATE TABLE public.guess_count (
    key text NOT NULL COLLATE pg_catalog."C",
    count bigint NOT NULL,
    last_ns bigint NOT NULL
);
CREATE TABLE public.hand_value (
    number bigint NOT NULL,
    drive_id text NOT NULL COLLATE pg_catalog."C",
    chain_id text NOT NULL COLLATE pg_catalog."C",
    measured_ns bigint NOT NULL,
    recorded_ns bigint NOT NULL,
    recorded_by text NOT NULL COLLATE pg_catalog."C",
    method text NOT NULL COLLATE pg_catalog."C",
    pitches bigint NOT NULL,
    length_mm double precision NOT NULL,
    length_u_mm double precision NOT NULL,
    pitch_mm double precision NOT NULL,
    tight integer NOT NULL,
    temp_c double precision,
    note text NOT NULL COLLATE pg_catalog."C",
    told_ns bigint,
    key text COLLATE pg_catalog."C"
);
CREATE SEQUENCE public.hand_value_number_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.hand_value_number_seq OWNED BY public.hand_value.number;
CREATE TABLE public.handover (
    number bigint NOT NULL,
    site text NOT NULL COLLATE pg_catalog."C",
    shift text NOT NULL COLLATE pg_catalog."C",
    from_ns bigint NOT NULL,
    to_ns bigint NOT NULL,
    frozen_ns bigint NOT NULL,
    frozen_by text NOT NULL COLLATE pg_catalog."C",
    sha256 text NOT NULL COLLATE pg_catalog."C",
    content text NOT NULL COLLATE pg_catalog."C"
);
CREATE SEQUENCE public.handover_number_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.handover_number_seq OWNED BY public.handover.number;
CREATE TABLE public.handover_receipt (
    handover bigint NOT NULL,
    system text NOT NULL COLLATE pg_catalog."C",
    at_ns bigint NOT NULL,
    by_whom text NOT NULL COLLATE pg_catalog."C",
    reference text NOT NULL COLLATE pg_catalog."C"
);
CREATE TABLE public.handover_signature (
    handover bigint NOT NULL,
    role text NOT NULL COLLATE pg_catalog."C",
    name text NOT NULL COLLATE pg_catalog."C",
    by_whom text NOT NULL COLLATE pg_catalog."C",
    at_ns bigint NOT NULL,
    sha256 text NOT NULL COLLATE pg_catalog."C",
    remark text NOT NULL COLLATE pg_catalog."C"
);
CREATE TABLE public.holder (
    name text NOT NULL COLLATE pg_catalog."C",
    beat bigint NOT NULL,
    ready_for text NOT NULL COLLATE pg_catalog."C",
    at_ns bigint NOT NULL
);
CREATE TABLE public.inspection (
    number bigint NOT NULL,
    sprocket bigint NOT NULL,
    inspected_ns bigint NOT NULL,
    worn integer NOT NULL,
    note text NOT NULL COLLATE pg_catalog."C",
    by_whom text NOT NULL COLLATE pg_catalog."C",
    recorded_ns bigint NOT NULL
);
CREATE SEQUENCE public.inspection_number_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.inspection_number_seq OWNED BY public.inspection.number;
CREATE TABLE public.lease (
    task text NOT NULL COLLATE pg_catalog."C",
    holder text NOT NULL COLLATE pg_catalog."C",
    term bigint NOT NULL,
    since_ns bigint NOT NULL
);
CREATE TABLE public.newest (
    drive_no integer NOT NULL,
    measured integer NOT NULL,
    t_ns bigint NOT NULL,
    t0_ns bigint NOT NULL,
    seq bigint NOT NULL,
    device text NOT NULL COLLATE pg_catalog."C"
);
CREATE TABLE public.note (
    number bigint NOT NULL,
    site text NOT NULL COLLATE pg_catalog."C",
    drive_id text NOT NULL COLLATE pg_catalog."C",
    text text NOT NULL COLLATE pg_catalog."C",
    true_ns bigint NOT NULL,
    recorded_ns bigint NOT NULL,
    by_whom text NOT NULL COLLATE pg_catalog."C"
);
CREATE SEQUENCE public.note_number_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.note_number_seq OWNED BY public.note.number;
CREATE TABLE public.outgoing (
    "row" bigint NOT NULL,
    route_id text NOT NULL COLLATE pg_catalog."C",
    kind text NOT NULL COLLATE pg_catalog."C",
    lane text NOT NULL COLLATE pg_catalog."C",
    alert_id text NOT NULL COLLATE pg_catalog."C",
    event_id text NOT NULL COLLATE pg_catalog."C",
    event text NOT NULL COLLATE pg_catalog."C",
    made_ns bigint NOT NULL,
    due_ns bigint NOT NULL,
    tries bigint NOT NULL,
    next_try_ns bigint NOT NULL,
    error text NOT NULL COLLATE pg_catalog."C"
);
CREATE SEQUENCE public.outgoing_row_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.outgoing_row_seq OWNED BY public.outgoing."row";
CREATE TABLE public.person (
    name text NOT NULL COLLATE pg_catalog."C",
    full_name text NOT NULL COLLATE pg_catalog."C",
    role bigint NOT NULL,
    password_hash text NOT NULL COLLATE pg_catalog."C",
    must_change integer NOT NULL,
    added_ns bigint NOT NULL,
    locked_ns bigint
);
CREATE TABLE public.planned_stop (
    number bigint NOT NULL,
    name text NOT NULL COLLATE pg_catalog."C",
    site text NOT NULL COLLATE pg_catalog."C",
    area text NOT NULL COLLATE pg_catalog."C",
    line text NOT NULL COLLATE pg_catalog."C",
    starts_ns bigint NOT NULL,
    ends_ns bigint NOT NULL,
    note text NOT NULL COLLATE pg_catalog."C",
    by_whom text NOT NULL COLLATE pg_catalog."C",
    recorded_ns bigint NOT NULL
);
CREATE SEQUENCE public.planned_stop_number_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.planned_stop_number_seq OWNED BY public.planned_stop.number;
CREATE TABLE public.plans_changed (
    part text NOT NULL COLLATE pg_catalog."C",
    at_ns bigint NOT NULL
);
CREATE TABLE public.probe (
    one integer NOT NULL,
    at_ns bigint NOT NULL,
    CONSTRAINT one_row CHECK ((one = 1))
);
CREATE TABLE public.prognosis (
    number bigint NOT NULL,
    drive_id text NOT NULL COLLATE pg_catalog."C",
    chain_id text NOT NULL COLLATE pg_catalog."C",
    made_ns bigint NOT NULL,
    first_of_day integer NOT NULL,
    outcome text NOT NULL COLLATE pg_catalog."C",
    set_point_pct double precision NOT NULL,
    p10_ns bigint,
    p50_ns bigint,
    p90_ns bigint,
    version text NOT NULL COLLATE pg_catalog."C",
    document text NOT NULL COLLATE pg_catalog."C"
);
CREATE SEQUENCE public.prognosis_number_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.prognosis_number_seq OWNED BY public.prognosis.number;
CREATE TABLE public.raw_batch (
    number bigint NOT NULL,
    drive_no integer NOT NULL,
    t0_ns bigint NOT NULL,
    seq bigint NOT NULL,
    device text NOT NULL COLLATE pg_catalog."C",
    t_ns bigint NOT NULL,
    form text NOT NULL COLLATE pg_catalog."C",
    content_type text COLLATE pg_catalog."C",
    kept_bytes bigint NOT NULL,
    payload bytea NOT NULL
);
CREATE SEQUENCE public.raw_batch_number_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.raw_batch_number_seq OWNED BY public.raw_batch.number;
CREATE TABLE public.reading (
    drive_no integer NOT NULL,
    t0_ns bigint NOT NULL,
    seq bigint NOT NULL,
    device text NOT NULL COLLATE pg_catalog."C",
    t_ns bigint NOT NULL,
    chain_no integer NOT NULL,
    elongation_pct double precision,
    elongation_u_pct double precision,
    reason text COLLATE pg_catalog."C",
    pitches_between double precision,
    lag_pitches double precision,
    speed_m_s double precision,
    coherence double precision,
    pitches_averaged bigint NOT NULL,
    whole_laps bigint NOT NULL,
    up_pulses bigint NOT NULL,
    down_pulses bigint NOT NULL,
    up_missed bigint NOT NULL,
    down_missed bigint NOT NULL,
    up_extra bigint NOT NULL,
    down_extra bigint NOT NULL,
    temp_c double precision,
    mount_c double precision,
    load_n double precision,
    since_pct double precision,
    since_u_pct double precision,
    baseline_taken_ns bigint,
    baseline_recorded_ns bigint,
    up_alternation_pct double precision,
    up_alternation_u_pct double precision,
    down_alternation_pct double precision,
    down_alternation_u_pct double precision,
    by_alternation integer DEFAULT 0 NOT NULL,
    polygon_taken_pct double precision,
    delay_taken_pct double precision,
    temperature_taken_pct double precision,
    load_taken_pct double precision,
    conversion integer DEFAULT 1 NOT NULL,
    CONSTRAINT measured_or_reason CHECK (((elongation_pct IS NULL) <> (reason IS NULL)))
);
CREATE TABLE public.register_version (
    one integer NOT NULL,
    version bigint NOT NULL,
    CONSTRAINT one_row CHECK ((one = 1))
);
CREATE TABLE public.rejection (
    number bigint NOT NULL,
    drive_id text NOT NULL COLLATE pg_catalog."C",
    topic text NOT NULL COLLATE pg_catalog."C",
    reason text NOT NULL COLLATE pg_catalog."C",
    detail text NOT NULL COLLATE pg_catalog."C",
    payload bytea NOT NULL,
    payload_bytes bigint NOT NULL,
    kept_bytes bigint NOT NULL,
    payload_sha256 text NOT NULL COLLATE pg_catalog."C",
    received_ns bigint NOT NULL,
    repeats bigint NOT NULL
);
CREATE SEQUENCE public.rejection_number_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.rejection_number_seq OWNED BY public.rejection.number;
CREATE TABLE public.roll_up (
    drive_no integer NOT NULL,
    resolution_s integer NOT NULL,
    end_ns bigint NOT NULL,
    chain_no integer NOT NULL,
    readings bigint NOT NULL,
    measured bigint NOT NULL,
    mean_pct double precision,
    min_pct double precision,
    max_pct double precision,
    last_pct double precision,
    mean_u_pct double precision,
    mean_speed_m_s double precision,
    speeds bigint NOT NULL,
    pulses bigint NOT NULL
);
CREATE TABLE public.route (
    route_id text NOT NULL COLLATE pg_catalog."C",
    way text NOT NULL COLLATE pg_catalog."C",
    name text NOT NULL COLLATE pg_catalog."C",
    target text NOT NULL COLLATE pg_catalog."C",
    secret text NOT NULL COLLATE pg_catalog."C",
    sites text NOT NULL COLLATE pg_catalog."C",
    areas text NOT NULL COLLATE pg_catalog."C",
    lines text NOT NULL COLLATE pg_catalog."C",
    drives text NOT NULL COLLATE pg_catalog."C",
    kinds text NOT NULL COLLATE pg_catalog."C",
    shifts text NOT NULL COLLATE pg_catalog."C",
    least_priority bigint NOT NULL,
    what text NOT NULL COLLATE pg_catalog."C",
    documents integer NOT NULL,
    digest_min bigint NOT NULL,
    quiet_start_min bigint,
    quiet_to_min bigint,
    quiet_through bigint,
    escalation_after_s bigint,
    enabled integer NOT NULL,
    allow_private integer NOT NULL
);
CREATE TABLE public.series_due (
    resolution_s integer NOT NULL,
    end_ns bigint NOT NULL,
    drive_no integer NOT NULL,
    changes bigint NOT NULL
);
CREATE TABLE public.series_left (
    resolution_s integer NOT NULL,
    end_ns bigint NOT NULL,
    drive_no integer NOT NULL,
    chain_no integer NOT NULL
);
CREATE TABLE public.series_newest (
    drive_no integer NOT NULL,
    measured integer NOT NULL,
    t0_ns bigint NOT NULL,
    seq bigint NOT NULL,
    device text NOT NULL COLLATE pg_catalog."C",
    t_ns bigint NOT NULL,
    chain_no integer NOT NULL,
    elongation_pct double precision,
    elongation_u_pct double precision,
    reason text COLLATE pg_catalog."C",
    pitches_between double precision,
    lag_pitches double precision,
    speed_m_s double precision,
    coherence double precision,
    pitches_averaged bigint NOT NULL,
    whole_laps bigint NOT NULL,
    up_pulses bigint NOT NULL,
    down_pulses bigint NOT NULL,
    up_missed bigint NOT NULL,
    down_missed bigint NOT NULL,
    up_extra bigint NOT NULL,
    down_extra bigint NOT NULL,
    temp_c double precision,
    mount_c double precision,
    load_n double precision,
    since_pct double precision,
    since_u_pct double precision,
    baseline_taken_ns bigint,
    baseline_recorded_ns bigint,
    up_alternation_pct double precision,
    up_alternation_u_pct double precision,
    down_alternation_pct double precision,
    down_alternation_u_pct double precision,
    by_alternation integer NOT NULL,
    polygon_taken_pct double precision,
    delay_taken_pct double precision,
    temperature_taken_pct double precision,
    load_taken_pct double precision,
    conversion integer NOT NULL
);
CREATE TABLE public.series_revision (
    drive_no integer NOT NULL,
    t0_ns bigint NOT NULL,
    seq bigint NOT NULL,
    device text NOT NULL COLLATE pg_catalog."C",
    rev bigint NOT NULL
);
CREATE TABLE public.session (
    secret_hash text NOT NULL COLLATE pg_catalog."C",
    name text NOT NULL COLLATE pg_catalog."C",
    opened_ns bigint NOT NULL,
    seen_ns bigint NOT NULL,
    ends_ns bigint NOT NULL
);
CREATE TABLE public.setpoint_override (
    scope text NOT NULL COLLATE pg_catalog."C",
    name text NOT NULL COLLATE pg_catalog."C",
    kind text NOT NULL COLLATE pg_catalog."C",
    value double precision,
    deadband double precision,
    on_readings bigint,
    on_s double precision,
    off_readings bigint,
    off_s double precision,
    priority bigint,
    enabled integer,
    why text NOT NULL COLLATE pg_catalog."C",
    by_whom text NOT NULL COLLATE pg_catalog."C",
    at_ns bigint NOT NULL
);
CREATE TABLE public.setpoint_version (
    one integer NOT NULL,
    version bigint NOT NULL,
    CONSTRAINT one_row CHECK ((one = 1))
);
CREATE TABLE public.sighting (
    drive_id text NOT NULL COLLATE pg_catalog."C",
    first_seen_ns bigint NOT NULL,
    last_seen_ns bigint NOT NULL,
    messages bigint NOT NULL,
    topic text NOT NULL COLLATE pg_catalog."C",
    device_id text NOT NULL COLLATE pg_catalog."C",
    up_rate_hz double precision,
    down_rate_hz double precision
);
CREATE TABLE public.site (
    site text NOT NULL COLLATE pg_catalog."C",
    zone text NOT NULL COLLATE pg_catalog."C",
    slots text NOT NULL COLLATE pg_catalog."C"
);
CREATE TABLE public.sprocket (
    number bigint NOT NULL,
    drive_id text NOT NULL COLLATE pg_catalog."C",
    place text NOT NULL COLLATE pg_catalog."C",
    teeth bigint,
    note text NOT NULL COLLATE pg_catalog."C",
    fitted_ns bigint NOT NULL,
    recorded_ns bigint NOT NULL,
    by_whom text NOT NULL COLLATE pg_catalog."C",
    removed_ns bigint,
    removed_why text NOT NULL COLLATE pg_catalog."C",
    removed_by text NOT NULL COLLATE pg_catalog."C",
    CONSTRAINT on_before_off CHECK (((removed_ns IS NULL) OR (removed_ns > fitted_ns)))
);
CREATE SEQUENCE public.sprocket_number_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.sprocket_number_seq OWNED BY public.sprocket.number;
CREATE TABLE public.store_name (
    one integer NOT NULL,
    name text NOT NULL COLLATE pg_catalog."C",
    CONSTRAINT one_row CHECK ((one = 1))
);
CREATE TABLE public.superseded_reading (
    number bigint NOT NULL,
    at_ns bigint NOT NULL,
    why text NOT NULL COLLATE pg_catalog."C",
    drive_no integer NOT NULL,
    t0_ns bigint NOT NULL,
    seq bigint NOT NULL,
    device text NOT NULL COLLATE pg_catalog."C",
    t_ns bigint NOT NULL,
    chain_no integer NOT NULL,
    elongation_pct double precision,
    elongation_u_pct double precision,
    reason text COLLATE pg_catalog."C",
    pitches_between double precision,
    lag_pitches double precision,
    speed_m_s double precision,
    coherence double precision,
    pitches_averaged bigint NOT NULL,
    whole_laps bigint NOT NULL,
    up_pulses bigint NOT NULL,
    down_pulses bigint NOT NULL,
    up_missed bigint NOT NULL,
    down_missed bigint NOT NULL,
    up_extra bigint NOT NULL,
    down_extra bigint NOT NULL,
    temp_c double precision,
    mount_c double precision,
    load_n double precision,
    since_pct double precision,
    since_u_pct double precision,
    baseline_taken_ns bigint,
    baseline_recorded_ns bigint,
    up_alternation_pct double precision,
    up_alternation_u_pct double precision,
    down_alternation_pct double precision,
    down_alternation_u_pct double precision,
    by_alternation integer DEFAULT 0 NOT NULL,
    polygon_taken_pct double precision,
    delay_taken_pct double precision,
    temperature_taken_pct double precision,
    load_taken_pct double precision,
    conversion integer DEFAULT 1 NOT NULL,
    CONSTRAINT measured_or_reason CHECK (((elongation_pct IS NULL) <> (reason IS NULL)))
);
CREATE SEQUENCE public.superseded_reading_number_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.superseded_reading_number_seq OWNED BY public.superseded_reading.number;
CREATE TABLE public.supply (
    scope text NOT NULL COLLATE pg_catalog."C",
    name text NOT NULL COLLATE pg_catalog."C",
    lead_days bigint,
    margin_days bigint,
    chain_price double precision,
    change_price double precision,
    stop_hour_price double precision,
    currency text COLLATE pg_catalog."C",
    unplanned_h double precision,
    ambient_low_c double precision,
    ambient_high_c double precision,
    centre_distance_mm double precision,
    stock_number text COLLATE pg_catalog."C",
    why text NOT NULL COLLATE pg_catalog."C",
    by_whom text NOT NULL COLLATE pg_catalog."C",
    at_ns bigint NOT NULL
);
CREATE TABLE public.token (
    name text NOT NULL COLLATE pg_catalog."C",
    role bigint NOT NULL,
    "only" text NOT NULL COLLATE pg_catalog."C",
    secret_hash text NOT NULL COLLATE pg_catalog."C",
    added_ns bigint NOT NULL,
    added_by text NOT NULL COLLATE pg_catalog."C",
    expires_ns bigint NOT NULL,
    used_ns bigint,
    revoked_ns bigint
);
CREATE TABLE public.upkeep (
    number bigint NOT NULL,
    drive_id text NOT NULL COLLATE pg_catalog."C",
    kind text NOT NULL COLLATE pg_catalog."C",
    at_ns bigint NOT NULL,
    lubricant text NOT NULL COLLATE pg_catalog."C",
    note text NOT NULL COLLATE pg_catalog."C",
    by_whom text NOT NULL COLLATE pg_catalog."C",
    recorded_ns bigint NOT NULL,
    struck_ns bigint,
    struck_by text NOT NULL COLLATE pg_catalog."C"
);
CREATE SEQUENCE public.upkeep_number_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.upkeep_number_seq OWNED BY public.upkeep.number;
CREATE TABLE public.watch_checkpoints (
    drive_id text NOT NULL COLLATE pg_catalog."C",
    checkpoints text NOT NULL COLLATE pg_catalog."C"
);
CREATE TABLE public.watch_due (
    drive_id text NOT NULL COLLATE pg_catalog."C",
    from_ns bigint NOT NULL,
    changes bigint NOT NULL
);
CREATE TABLE public.watch_evaluation (
    drive_id text NOT NULL COLLATE pg_catalog."C",
    state text NOT NULL COLLATE pg_catalog."C"
);
CREATE TABLE public.work_in_hand (
    work_id bigint NOT NULL,
    drive_id text NOT NULL COLLATE pg_catalog."C",
    kind text NOT NULL COLLATE pg_catalog."C",
    since_ns bigint NOT NULL,
    by_whom text NOT NULL COLLATE pg_catalog."C",
    why text NOT NULL COLLATE pg_catalog."C",
    work_order text NOT NULL COLLATE pg_catalog."C",
    recorded_ns bigint NOT NULL,
    closed_ns bigint,
    closed_by text NOT NULL COLLATE pg_catalog."C",
    closed_why text NOT NULL COLLATE pg_catalog."C",
    closed_recorded_ns bigint,
    CONSTRAINT closed_or_not CHECK (((closed_ns IS NULL) = (closed_recorded_ns IS NULL)))
);
CREATE SEQUENCE public.work_in_hand_work_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;
ALTER SEQUENCE public.work_in_hand_work_id_seq OWNED BY public.work_in_hand.work_id;
ALTER TABLE ONLY public.alert_transition ALTER COLUMN number SET DEFAULT nextval('public.alert_transition_number_seq'::regclass);
ALTER TABLE ONLY public.audit_entry ALTER COLUMN number SET DEFAULT nextval('public.audit_entry_number_seq'::regclass);
ALTER TABLE ONLY public.baseline ALTER COLUMN number SET DEFAULT nextval('public.baseline_number_seq'::regclass);
ALTER TABLE ONLY public.chain_number ALTER COLUMN chain_no SET DEFAULT nextval('public.chain_number_chain_no_seq'::regclass);
ALTER TABLE ONLY public.chain_removal ALTER COLUMN number SET DEFAULT nextval('public.chain_removal_number_seq'::regclass);
ALTER TABLE ONLY public.drive_number ALTER COLUMN drive_no SET DEFAULT nextval('public.drive_number_drive_no_seq'::regclass);
ALTER TABLE ONLY public.hand_value ALTER COLUMN number SET DEFAULT nextval('public.hand_value_number_seq'::regclass);
ALTER TABLE ONLY public.handover ALTER COLUMN number SET DEFAULT nextval('public.handover_number_seq'::regclass);
ALTER TABLE ONLY public.inspection ALTER COLUMN number SET DEFAULT nextval('public.inspection_number_seq'::regclass);
ALTER TABLE ONLY public.note ALTER COLUMN number SET DEFAULT nextval('public.note_number_seq'::regclass);
ALTER TABLE ONLY public.outgoing ALTER COLUMN "row" SET DEFAULT nextval('public.outgoing_row_seq'::regclass);
ALTER TABLE ONLY public.planned_stop ALTER COLUMN number SET DEFAULT nextval('public.planned_stop_number_seq'::regclass);
ALTER TABLE ONLY public.prognosis ALTER COLUMN number SET DEFAULT nextval('public.prognosis_number_seq'::regclass);
ALTER TABLE ONLY public.raw_batch ALTER COLUMN number SET DEFAULT nextval('public.raw_batch_number_seq'::regclass);
ALTER TABLE ONLY public.rejection ALTER COLUMN number SET DEFAULT nextval('public.rejection_number_seq'::regclass);
ALTER TABLE ONLY public.sprocket ALTER COLUMN number SET DEFAULT nextval('public.sprocket_number_seq'::regclass);
ALTER TABLE ONLY public.superseded_reading ALTER COLUMN number SET DEFAULT nextval('public.superseded_reading_number_seq'::regclass);
ALTER TABLE ONLY public.upkeep ALTER COLUMN number SET DEFAULT nextval('public.upkeep_number_seq'::regclass);
ALTER TABLE ONLY public.work_in_hand ALTER COLUMN work_id SET DEFAULT nextval('public.work_in_hand_work_id_seq'::regclass);
INSERT INTO public.alembic_version VALUES ('0014');
INSERT INTO public.probe VALUES (1, 1795804598623890951);
INSERT INTO public.register_version VALUES (1, 0);
INSERT INTO public.setpoint_version VALUES (1, 0);
INSERT INTO public.store_name VALUES (1, '25c99ca7207135dd');
SELECT pg_catalog.setval('public.alert_transition_number_seq', 1, false);
SELECT pg_catalog.setval('public.audit_entry_number_seq', 1, false);
SELECT pg_catalog.setval('public.baseline_number_seq', 1, false);
SELECT pg_catalog.setval('public.chain_number_chain_no_seq', 1, false);
SELECT pg_catalog.setval('public.chain_removal_number_seq', 1, false);
SELECT pg_catalog.setval('public.drive_number_drive_no_seq', 1, false);
SELECT pg_catalog.setval('public.hand_value_number_seq', 1, false);
SELECT pg_catalog.setval('public.handover_number_seq', 1, false);
SELECT pg_catalog.setval('public.inspection_number_seq', 1, false);
SELECT pg_catalog.setval('public.note_number_seq', 1, false);
SELECT pg_catalog.setval('public.outgoing_row_seq', 1, false);
SELECT pg_catalog.setval('public.planned_stop_number_seq', 1, false);
SELECT pg_catalog.setval('public.prognosis_number_seq', 1, false);
SELECT pg_catalog.setval('public.raw_batch_number_seq', 1, false);
SELECT pg_catalog.setval('public.rejection_number_seq', 1, false);
SELECT pg_catalog.setval('public.sprocket_number_seq', 1, false);
SELECT pg_catalog.setval('public.superseded_reading_number_seq', 1, false);
SELECT pg_catalog.setval('public.upkeep_number_seq', 1, false);
SELECT pg_catalog.setval('public.work_in_hand_work_id_seq', 1, false);
ALTER TABLE ONLY public.alembic_version
    ADD CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num);
ALTER TABLE ONLY public.alert
    ADD CONSTRAINT alert_pkey PRIMARY KEY (alert_id);
ALTER TABLE ONLY public.alert_transition
    ADD CONSTRAINT alert_transition_key_key UNIQUE (key);
ALTER TABLE ONLY public.alert_transition
    ADD CONSTRAINT alert_transition_pkey PRIMARY KEY (number);
ALTER TABLE ONLY public.audit_entry
    ADD CONSTRAINT audit_entry_pkey PRIMARY KEY (number);
ALTER TABLE ONLY public.baseline
    ADD CONSTRAINT baseline_pkey PRIMARY KEY (number);
ALTER TABLE ONLY public.chain_map
    ADD CONSTRAINT chain_map_pkey PRIMARY KEY (chain_id);
ALTER TABLE ONLY public.chain_number
    ADD CONSTRAINT chain_number_chain_id_key UNIQUE (chain_id);
ALTER TABLE ONLY public.chain_number
    ADD CONSTRAINT chain_number_pkey PRIMARY KEY (chain_no);
ALTER TABLE ONLY public.chain
    ADD CONSTRAINT chain_pkey PRIMARY KEY (chain_id);
ALTER TABLE ONLY public.chain_removal
    ADD CONSTRAINT chain_removal_pkey PRIMARY KEY (number);
ALTER TABLE ONLY public.delivery
    ADD CONSTRAINT delivery_pkey PRIMARY KEY (route_id);
ALTER TABLE ONLY public.device_state
    ADD CONSTRAINT device_state_pkey PRIMARY KEY (drive_id);
ALTER TABLE ONLY public.drive_history
    ADD CONSTRAINT drive_history_pkey PRIMARY KEY (drive_id, version);
ALTER TABLE ONLY public.drive_number
    ADD CONSTRAINT drive_number_drive_id_key UNIQUE (drive_id);
ALTER TABLE ONLY public.drive_number
    ADD CONSTRAINT drive_number_pkey PRIMARY KEY (drive_no);
ALTER TABLE ONLY public.drive
    ADD CONSTRAINT drive_pkey PRIMARY KEY (drive_id);
ALTER TABLE ONLY public.due
    ADD CONSTRAINT due_pkey PRIMARY KEY (resolution_s, end_ns, drive_no);
ALTER TABLE ONLY public.duty_plan
    ADD CONSTRAINT duty_plan_pkey PRIMARY KEY (drive_id);
ALTER TABLE ONLY public.handover
    ADD CONSTRAINT frozen_once UNIQUE (site, from_ns, to_ns);
ALTER TABLE ONLY public.guess_count
    ADD CONSTRAINT guess_count_pkey PRIMARY KEY (key);
ALTER TABLE ONLY public.hand_value
    ADD CONSTRAINT hand_value_pkey PRIMARY KEY (number);
ALTER TABLE ONLY public.handover
    ADD CONSTRAINT handover_pkey PRIMARY KEY (number);
ALTER TABLE ONLY public.handover_receipt
    ADD CONSTRAINT handover_receipt_pkey PRIMARY KEY (handover, system);
ALTER TABLE ONLY public.handover_signature
    ADD CONSTRAINT handover_signature_pkey PRIMARY KEY (handover, role);
ALTER TABLE ONLY public.holder
    ADD CONSTRAINT holder_pkey PRIMARY KEY (name);
ALTER TABLE ONLY public.inspection
    ADD CONSTRAINT inspection_pkey PRIMARY KEY (number);
ALTER TABLE ONLY public.lease
    ADD CONSTRAINT lease_pkey PRIMARY KEY (task);
ALTER TABLE ONLY public.newest
    ADD CONSTRAINT newest_pkey PRIMARY KEY (drive_no, measured);
ALTER TABLE ONLY public.note
    ADD CONSTRAINT note_pkey PRIMARY KEY (number);
ALTER TABLE ONLY public.outgoing
    ADD CONSTRAINT once_on_its_way UNIQUE (route_id, event_id);
ALTER TABLE ONLY public.alert_transition
    ADD CONSTRAINT one_after_the_other UNIQUE (alert_id, seq);
ALTER TABLE ONLY public.outgoing
    ADD CONSTRAINT outgoing_pkey PRIMARY KEY ("row");
ALTER TABLE ONLY public.person
    ADD CONSTRAINT person_pkey PRIMARY KEY (name);
ALTER TABLE ONLY public.planned_stop
    ADD CONSTRAINT planned_stop_pkey PRIMARY KEY (number);
ALTER TABLE ONLY public.plans_changed
    ADD CONSTRAINT plans_changed_pkey PRIMARY KEY (part);
ALTER TABLE ONLY public.probe
    ADD CONSTRAINT probe_pkey PRIMARY KEY (one);
ALTER TABLE ONLY public.prognosis
    ADD CONSTRAINT prognosis_pkey PRIMARY KEY (number);
ALTER TABLE ONLY public.raw_batch
    ADD CONSTRAINT raw_batch_pkey PRIMARY KEY (number);
ALTER TABLE ONLY public.reading
    ADD CONSTRAINT reading_pkey PRIMARY KEY (drive_no, t0_ns, seq, device);
ALTER TABLE ONLY public.register_version
    ADD CONSTRAINT register_version_pkey PRIMARY KEY (one);
ALTER TABLE ONLY public.rejection
    ADD CONSTRAINT rejection_pkey PRIMARY KEY (number);
ALTER TABLE ONLY public.roll_up
    ADD CONSTRAINT roll_up_pkey PRIMARY KEY (drive_no, resolution_s, end_ns, chain_no);
ALTER TABLE ONLY public.route
    ADD CONSTRAINT route_pkey PRIMARY KEY (route_id);
ALTER TABLE ONLY public.raw_batch
    ADD CONSTRAINT same_batch UNIQUE (drive_no, t0_ns, seq, device);
ALTER TABLE ONLY public.rejection
    ADD CONSTRAINT same_payload UNIQUE (drive_id, payload_sha256, payload_bytes, reason);
ALTER TABLE ONLY public.series_due
    ADD CONSTRAINT series_due_pkey PRIMARY KEY (resolution_s, end_ns, drive_no);
ALTER TABLE ONLY public.series_left
    ADD CONSTRAINT series_left_pkey PRIMARY KEY (resolution_s, end_ns, drive_no, chain_no);
ALTER TABLE ONLY public.series_newest
    ADD CONSTRAINT series_newest_pkey PRIMARY KEY (drive_no, measured);
ALTER TABLE ONLY public.series_revision
    ADD CONSTRAINT series_revision_pkey PRIMARY KEY (drive_no, t0_ns, seq, device);
ALTER TABLE ONLY public.session
    ADD CONSTRAINT session_pkey PRIMARY KEY (secret_hash);
ALTER TABLE ONLY public.setpoint_override
    ADD CONSTRAINT setpoint_override_pkey PRIMARY KEY (scope, name, kind);
ALTER TABLE ONLY public.setpoint_version
    ADD CONSTRAINT setpoint_version_pkey PRIMARY KEY (one);
ALTER TABLE ONLY public.sighting
    ADD CONSTRAINT sighting_pkey PRIMARY KEY (drive_id);
ALTER TABLE ONLY public.site
    ADD CONSTRAINT site_pkey PRIMARY KEY (site);
ALTER TABLE ONLY public.sprocket
    ADD CONSTRAINT sprocket_pkey PRIMARY KEY (number);
ALTER TABLE ONLY public.store_name
    ADD CONSTRAINT store_name_pkey PRIMARY KEY (one);
ALTER TABLE ONLY public.superseded_reading
    ADD CONSTRAINT superseded_reading_pkey PRIMARY KEY (number);
ALTER TABLE ONLY public.supply
    ADD CONSTRAINT supply_pkey PRIMARY KEY (scope, name);
ALTER TABLE ONLY public.token
    ADD CONSTRAINT token_pkey PRIMARY KEY (name);
ALTER TABLE ONLY public.token
    ADD CONSTRAINT token_secret_hash_key UNIQUE (secret_hash);
ALTER TABLE ONLY public.upkeep
    ADD CONSTRAINT upkeep_pkey PRIMARY KEY (number);
ALTER TABLE ONLY public.watch_checkpoints
    ADD CONSTRAINT watch_checkpoints_pkey PRIMARY KEY (drive_id);
ALTER TABLE ONLY public.watch_due
    ADD CONSTRAINT watch_due_pkey PRIMARY KEY (drive_id);
ALTER TABLE ONLY public.watch_evaluation
    ADD CONSTRAINT watch_evaluation_pkey PRIMARY KEY (drive_id);
ALTER TABLE ONLY public.work_in_hand
    ADD CONSTRAINT work_in_hand_pkey PRIMARY KEY (work_id);
CREATE INDEX alert_transition_drive ON public.alert_transition USING btree (drive_id, number);
CREATE INDEX alert_transition_recorded ON public.alert_transition USING btree (recorded_ns);
CREATE INDEX audit_entry_subject ON public.audit_entry USING btree (subject, number);
CREATE INDEX chain_removal_chain ON public.chain_removal USING btree (chain_id, number);
CREATE INDEX hand_value_drive ON public.hand_value USING btree (drive_id, measured_ns, recorded_ns);
CREATE UNIQUE INDEX hand_value_key ON public.hand_value USING btree (drive_id, key);
CREATE INDEX handover_cut_off ON public.handover USING btree (to_ns);
CREATE INDEX inspection_sprocket ON public.inspection USING btree (sprocket, inspected_ns);
CREATE INDEX ix_alert_drive_id ON public.alert USING btree (drive_id);
CREATE INDEX ix_alert_stands ON public.alert USING btree (stands);
CREATE INDEX ix_baseline_chain_id ON public.baseline USING btree (chain_id);
CREATE INDEX ix_chain_drive_id ON public.chain USING btree (drive_id);
CREATE INDEX ix_guess_count_last_ns ON public.guess_count USING btree (last_ns);
CREATE INDEX ix_hand_value_chain_id ON public.hand_value USING btree (chain_id);
CREATE INDEX ix_session_name ON public.session USING btree (name);
CREATE INDEX ix_sighting_last_seen_ns ON public.sighting USING btree (last_seen_ns);
CREATE INDEX note_site ON public.note USING btree (site, recorded_ns);
CREATE INDEX outgoing_lane ON public.outgoing USING btree (route_id, lane, "row");
CREATE INDEX planned_stop_end ON public.planned_stop USING btree (ends_ns);
CREATE INDEX prognosis_by_chain ON public.prognosis USING btree (chain_id, made_ns);
CREATE INDEX prognosis_by_drive ON public.prognosis USING btree (drive_id, made_ns);
CREATE INDEX raw_batch_drive ON public.raw_batch USING btree (drive_no, t_ns, kept_bytes);
CREATE INDEX rejection_drive ON public.rejection USING btree (drive_id, number, kept_bytes);
CREATE INDEX series_due_drive ON public.series_due USING btree (drive_no, resolution_s, end_ns);
CREATE INDEX sprocket_drive ON public.sprocket USING btree (drive_id, place, fitted_ns);
CREATE INDEX superseded_reading_drive ON public.superseded_reading USING btree (drive_no, t_ns);
CREATE INDEX upkeep_drive ON public.upkeep USING btree (drive_id, at_ns);
CREATE INDEX work_in_hand_open ON public.work_in_hand USING btree (closed_recorded_ns, drive_id);
CREATE TRIGGER chain_removal_is_never_changed BEFORE UPDATE ON public.chain_removal FOR EACH ROW EXECUTE FUNCTION public.chain_removal_is_never_changed();
CREATE TRIGGER chain_removal_is_never_deleted BEFORE DELETE ON public.chain_removal FOR EACH ROW EXECUTE FUNCTION public.chain_removal_is_never_deleted();
CREATE TRIGGER chain_removal_is_never_emptied BEFORE TRUNCATE ON public.chain_removal FOR EACH STATEMENT EXECUTE FUNCTION public.chain_removal_is_never_emptied();
CREATE TRIGGER handover_is_never_changed BEFORE UPDATE ON public.handover FOR EACH ROW EXECUTE FUNCTION public.handover_is_never_changed();
CREATE TRIGGER handover_is_never_deleted BEFORE DELETE ON public.handover FOR EACH ROW EXECUTE FUNCTION public.handover_is_never_deleted();
CREATE TRIGGER handover_is_never_emptied BEFORE TRUNCATE ON public.handover FOR EACH STATEMENT EXECUTE FUNCTION public.handover_is_never_emptied();
CREATE TRIGGER handover_receipt_is_never_changed BEFORE UPDATE ON public.handover_receipt FOR EACH ROW EXECUTE FUNCTION public.handover_receipt_is_never_changed();
CREATE TRIGGER handover_receipt_is_never_deleted BEFORE DELETE ON public.handover_receipt FOR EACH ROW EXECUTE FUNCTION public.handover_receipt_is_never_deleted();
CREATE TRIGGER handover_receipt_is_never_emptied BEFORE TRUNCATE ON public.handover_receipt FOR EACH STATEMENT EXECUTE FUNCTION public.handover_receipt_is_never_emptied();
CREATE TRIGGER handover_signature_is_never_changed BEFORE UPDATE ON public.handover_signature FOR EACH ROW EXECUTE FUNCTION public.handover_signature_is_never_changed();
CREATE TRIGGER handover_signature_is_never_deleted BEFORE DELETE ON public.handover_signature FOR EACH ROW EXECUTE FUNCTION public.handover_signature_is_never_deleted();
CREATE TRIGGER handover_signature_is_never_emptied BEFORE TRUNCATE ON public.handover_signature FOR EACH STATEMENT EXECUTE FUNCTION public.handover_signature_is_never_emptied();
CREATE TRIGGER inspection_is_never_changed BEFORE UPDATE ON public.inspection FOR EACH ROW EXECUTE FUNCTION public.inspection_is_never_changed();
CREATE TRIGGER inspection_is_never_deleted BEFORE DELETE ON public.inspection FOR EACH ROW EXECUTE FUNCTION public.inspection_is_never_deleted();
CREATE TRIGGER inspection_is_never_emptied BEFORE TRUNCATE ON public.inspection FOR EACH STATEMENT EXECUTE FUNCTION public.inspection_is_never_emptied();
CREATE TRIGGER note_is_never_changed BEFORE UPDATE ON public.note FOR EACH ROW EXECUTE FUNCTION public.note_is_never_changed();
CREATE TRIGGER note_is_never_deleted BEFORE DELETE ON public.note FOR EACH ROW EXECUTE FUNCTION public.note_is_never_deleted();
CREATE TRIGGER note_is_never_emptied BEFORE TRUNCATE ON public.note FOR EACH STATEMENT EXECUTE FUNCTION public.note_is_never_emptied();
ALTER TABLE ONLY public.baseline
    ADD CONSTRAINT baseline_chain_id_fkey FOREIGN KEY (chain_id) REFERENCES public.chain(chain_id);
ALTER TABLE ONLY public.chain
    ADD CONSTRAINT chain_drive_id_fkey FOREIGN KEY (drive_id) REFERENCES public.drive(drive_id);
ALTER TABLE ONLY public.chain_removal
    ADD CONSTRAINT chain_removal_chain_id_fkey FOREIGN KEY (chain_id) REFERENCES public.chain(chain_id);
ALTER TABLE ONLY public.delivery
    ADD CONSTRAINT delivery_route_id_fkey FOREIGN KEY (route_id) REFERENCES public.route(route_id);
ALTER TABLE ONLY public.drive_history
    ADD CONSTRAINT drive_history_drive_id_fkey FOREIGN KEY (drive_id) REFERENCES public.drive(drive_id);
ALTER TABLE ONLY public.duty_plan
    ADD CONSTRAINT duty_plan_drive_id_fkey FOREIGN KEY (drive_id) REFERENCES public.drive(drive_id);
ALTER TABLE ONLY public.hand_value
    ADD CONSTRAINT hand_value_chain_id_fkey FOREIGN KEY (chain_id) REFERENCES public.chain(chain_id);
ALTER TABLE ONLY public.hand_value
    ADD CONSTRAINT hand_value_drive_id_fkey FOREIGN KEY (drive_id) REFERENCES public.drive(drive_id);
ALTER TABLE ONLY public.handover_receipt
    ADD CONSTRAINT handover_receipt_handover_fkey FOREIGN KEY (handover) REFERENCES public.handover(number);
ALTER TABLE ONLY public.handover_signature
    ADD CONSTRAINT handover_signature_handover_fkey FOREIGN KEY (handover) REFERENCES public.handover(number);
ALTER TABLE ONLY public.inspection
    ADD CONSTRAINT inspection_sprocket_fkey FOREIGN KEY (sprocket) REFERENCES public.sprocket(number);
ALTER TABLE ONLY public.outgoing
    ADD CONSTRAINT outgoing_route_id_fkey FOREIGN KEY (route_id) REFERENCES public.route(route_id);
ALTER TABLE ONLY public.session
    ADD CONSTRAINT session_name_fkey FOREIGN KEY (name) REFERENCES public.person(name);
ALTER TABLE ONLY public.sprocket
    ADD CONSTRAINT sprocket_drive_id_fkey FOREIGN KEY (drive_id) REFERENCES public.drive(drive_id);
ALTER TABLE ONLY public.upkeep
    ADD CONSTRAINT upkeep_drive_id_fkey FOREIGN KEY (drive_id) REFERENCES public.drive(drive_id);
ALTER TABLE ONLY public.work_in_hand
    ADD CONSTRAINT work_in_hand_drive_id_fkey FOREIGN KEY (drive_id) REFERENCES public.drive(drive_id);
