-- Roles and database of the archive; once, as the server's administrator: psql -f archive.sql
\set ON_ERROR_STOP on
-- The account of the service; it has no password (pg_hba.lines).
CREATE ROLE "benchd-archive" LOGIN;
-- For `benchd boots --archive` and the like. Its password: \password benchd-reader
CREATE ROLE "benchd-reader" LOGIN;
ALTER ROLE "benchd-reader" SET default_transaction_read_only = on;
ALTER ROLE "benchd-reader" SET statement_timeout = '60s';

-- A fixed order of characters: the system's own may change with an upgrade, and indexes with it.
CREATE DATABASE benchd OWNER "benchd-archive" TEMPLATE template0 ENCODING 'UTF8' LOCALE 'C.UTF-8';
REVOKE ALL ON DATABASE benchd FROM PUBLIC;
GRANT CONNECT ON DATABASE benchd TO "benchd-reader";
\connect benchd
-- Before version 15 everybody could make tables here.
REVOKE CREATE ON SCHEMA public FROM PUBLIC;
ALTER SCHEMA public OWNER TO "benchd-archive";
GRANT USAGE ON SCHEMA public TO "benchd-reader";
ALTER DEFAULT PRIVILEGES FOR ROLE "benchd-archive" GRANT SELECT ON TABLES TO "benchd-reader";
