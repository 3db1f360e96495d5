-- Work orders: what follows from the ledger, what was told of it, and what is planned.

-- name: write_orders
INSERT INTO derived.work_order (work_order, subject, state, body)
SELECT written.work_order, CAST(:subject AS integer), written.state, written.body::json
  FROM unnest(CAST(:orders AS text[]), CAST(:states AS text[]), CAST(:bodies AS text[])) AS written (work_order, state, body)
ON CONFLICT (work_order) DO UPDATE
   SET subject = excluded.subject, state = excluded.state, body = excluded.body;

-- name: keep_only_orders
-- Orders that the history, folded again, no longer has.
DELETE FROM derived.work_order WHERE subject = CAST(:subject AS integer) AND work_order <> ALL (CAST(:kept AS text[]));

-- name: drop_orders
-- Orders that time had opened, before a fact from before then showed that there was no cause.
DELETE FROM derived.work_order WHERE subject = CAST(:subject AS integer) AND work_order = ANY (CAST(:gone AS text[]));

-- name: lock_told
-- Ascending; whoever plans one of them at this moment goes first. What that lets through is read by the next statement.
SELECT work_order FROM kept.work_order WHERE subject = CAST(:subject AS integer) ORDER BY work_order FOR UPDATE;

-- name: to_tell
-- What was told otherwise than it now follows: known orders, those that follow no more, and open ones not yet told.
SELECT coalesce(told.work_order, follows.work_order) AS work_order, follows.state, follows.body,
       told.state AS told_state, told.body AS told_body, told.work_order IS NOT NULL AS known
  FROM (SELECT work_order, state, body FROM derived.work_order WHERE subject = CAST(:subject AS integer)) AS follows
  FULL JOIN (SELECT work_order, state, withdrawn, body FROM kept.work_order WHERE subject = CAST(:subject AS integer)) AS told
         ON told.work_order = follows.work_order
 WHERE CASE WHEN follows.work_order IS NULL THEN NOT told.withdrawn
            WHEN told.work_order IS NULL THEN CAST(:new_ones AS boolean) AND follows.state IN ('released', 'held')
            ELSE told.withdrawn OR told.body::text <> follows.body::text END
 ORDER BY 1;

-- name: take_changes
-- The numbers of so many changes, up to the one answered. Whoever comes next waits until these are committed.
UPDATE kept.work_order_change SET change = change + CAST(:changes AS integer) RETURNING change;

-- name: tell
INSERT INTO kept.work_order (
    work_order, subject, change, told, changed, state, withdrawn, ended, cause, priority, due_by, spindle, plant, hall,
    machine, body)
VALUES (
    CAST(:work_order AS text), CAST(:subject AS integer), CAST(:change AS bigint), CAST(:now AS timestamptz),
    CAST(:now AS timestamptz), CAST(:state AS text), CAST(:withdrawn AS boolean), CAST(:ended AS timestamptz),
    CAST(:cause AS text), CAST(:priority AS smallint), CAST(:due_by AS timestamptz), CAST(:spindle AS text),
    CAST(:plant AS text), CAST(:hall AS text), CAST(:machine AS text), CAST(:body AS json))
ON CONFLICT (work_order) DO UPDATE
   SET change = excluded.change, changed = excluded.changed, state = excluded.state, withdrawn = excluded.withdrawn,
       ended = CASE WHEN excluded.ended IS NULL THEN NULL ELSE coalesce(work_order.ended, excluded.ended) END,
       cause = excluded.cause, priority = excluded.priority, due_by = excluded.due_by, spindle = excluded.spindle,
       plant = excluded.plant, hall = excluded.hall, machine = excluded.machine, body = excluded.body;

-- name: order
SELECT told.work_order, told.change, told.told, told.changed, told.state, told.ended, told.plant, told.body,
       told.planned_state, told.planned_start, told.planned_end, told.assignee, actor.label, told.number, told.note,
       told.planned, told.planned_by, told.closed
  FROM kept.work_order AS told
  LEFT JOIN kept.actor ON actor.actor = told.assignee
 WHERE told.work_order = CAST(:work_order AS text);

-- name: lock_order
SELECT work_order FROM kept.work_order WHERE work_order = CAST(:work_order AS text) FOR UPDATE;

-- name: plan
UPDATE kept.work_order
   SET change = CAST(:change AS bigint), changed = CAST(:now AS timestamptz),
       planned_state = CAST(:planned_state AS text), planned_start = CAST(:planned_start AS timestamptz),
       planned_end = CAST(:planned_end AS timestamptz), assignee = CAST(:assignee AS integer),
       number = CAST(:number AS text), note = CAST(:note AS text), planned = CAST(:now AS timestamptz),
       planned_by = CAST(:planned_by AS integer), closed = CAST(:closed AS timestamptz)
 WHERE work_order = CAST(:work_order AS text);

-- name: changes
-- What was changed after a number, each order once, as it last was; `newest` is the last number that this snapshot has.
-- A number is taken under a lock that is held until it is committed, so none comes in behind.
SELECT newest.change AS newest, told.*
  FROM (SELECT change FROM kept.work_order_change) AS newest
  LEFT JOIN LATERAL (
       SELECT found.work_order, found.change, found.told, found.changed, found.state, found.ended, found.plant,
              found.body, found.planned_state, found.planned_start, found.planned_end, found.assignee, actor.label,
              found.number, found.note, found.planned, found.planned_by, found.closed
         FROM kept.work_order AS found
         LEFT JOIN kept.actor ON actor.actor = found.assignee
        WHERE found.change > CAST(:after AS bigint)
          AND (CAST(:plant AS text) IS NULL OR found.plant = CAST(:plant AS text))
          AND (CAST(:hall AS text) IS NULL OR found.hall = CAST(:hall AS text))
          AND (CAST(:machine AS text) IS NULL OR found.machine = CAST(:machine AS text))
          AND (CAST(:spindle AS text) IS NULL OR found.spindle = CAST(:spindle AS text))
          AND (CAST(:causes AS text[]) IS NULL OR found.cause = ANY (CAST(:causes AS text[])))
          AND (CAST(:plants AS text[]) IS NULL OR found.plant = ANY (CAST(:plants AS text[])))
        ORDER BY found.change
        LIMIT CAST(:limit AS integer)
       ) AS told ON true;
