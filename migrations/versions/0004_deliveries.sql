-- A notice that an endpoint was never told of is told it later by the same filters, health among them.
ALTER TABLE kept.notice ADD COLUMN health text;  -- the worst that it speaks of; null: of none
UPDATE kept.notice n
   SET health = (SELECT w.health
                   FROM unnest(ARRAY['failure', 'out_of_specification', 'function_check', 'maintenance_required',
                                     'normal']) WITH ORDINALITY AS w (health, rank)
                  WHERE n.spindle IS NOT NULL
                    AND w.health IN (n.body -> 'data' ->> 'health', n.body -> 'data' ->> 'from')
                  ORDER BY w.rank
                  LIMIT 1);

-- Ranges of time, and one type among many, are looked for without walking years of notices.
CREATE INDEX notice_by_creation ON kept.notice (created, notice);
CREATE INDEX notice_by_type ON kept.notice (type, notice);
CREATE INDEX attempt_by_time ON kept.attempt (endpoint, started);
