-- The role that the service's connections take. It appends to the ledger and cannot alter it; a superuser's
-- session is bound by it too. Runs after every migration, so that what a new revision added is granted, and so that
-- a DBA who makes the role later (/readyz says how) needs only to migrate again.
DO $$
BEGIN
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'spindle_ledger_app') THEN
        BEGIN
            CREATE ROLE spindle_ledger_app NOLOGIN;
        EXCEPTION
            WHEN insufficient_privilege THEN
                RAISE NOTICE 'the role spindle_ledger_app could not be made; /readyz says so';
                RETURN;
            WHEN duplicate_object OR unique_violation THEN
                NULL;                                  -- another database of this server was faster
        END;
    END IF;
    IF current_setting('is_superuser') = 'off' THEN    -- a superuser may take any role
        BEGIN
            EXECUTE format('GRANT spindle_ledger_app TO %I', current_user);
        EXCEPTION WHEN insufficient_privilege OR unique_violation OR internal_error THEN
            RAISE NOTICE 'the role spindle_ledger_app could not be granted to %', current_user;
        END;
    END IF;
    GRANT USAGE ON SCHEMA ledger, derived, kept TO spindle_ledger_app;
    GRANT SELECT ON ledger.log, ledger.subject, ledger.source, ledger.entry, ledger.reading, ledger.reading_default
        TO spindle_ledger_app;
    GRANT INSERT ON ledger.entry, ledger.reading, ledger.subject, ledger.source TO spindle_ledger_app;
    GRANT UPDATE (position, recorded) ON ledger.log TO spindle_ledger_app;
    GRANT UPDATE (sequence, head) ON ledger.subject TO spindle_ledger_app;
    GRANT SELECT, INSERT, UPDATE, DELETE, TRUNCATE ON ALL TABLES IN SCHEMA derived TO spindle_ledger_app;
    GRANT SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA kept TO spindle_ledger_app;
    GRANT USAGE ON ALL SEQUENCES IN SCHEMA ledger, derived, kept TO spindle_ledger_app;
    GRANT EXECUTE ON FUNCTION ledger.make_weeks(integer) TO spindle_ledger_app;
    GRANT SELECT ON public.alembic_version TO spindle_ledger_app;
EXCEPTION WHEN insufficient_privilege THEN
    RAISE NOTICE 'the tables are another login''s: what they grant is left as it is';
END $$;
