-- A role and a database for one shop. Run as the server's superuser:
--   psql -v password="'a long one'" -f role.sql
\set ON_ERROR_STOP on
CREATE ROLE baulk LOGIN PASSWORD :password NOSUPERUSER NOCREATEDB NOCREATEROLE;
CREATE DATABASE baulk OWNER baulk ENCODING 'UTF8' TEMPLATE template0;
REVOKE ALL ON DATABASE baulk FROM PUBLIC;
\connect baulk
REVOKE ALL ON SCHEMA public FROM PUBLIC;
GRANT ALL ON SCHEMA public TO baulk;

-- Somebody who only looks, for reports of your own:
-- CREATE ROLE looker LOGIN PASSWORD '...';
-- GRANT CONNECT ON DATABASE baulk TO looker;
-- GRANT USAGE ON SCHEMA public TO looker;
-- GRANT SELECT ON ALL TABLES IN SCHEMA public TO looker;
