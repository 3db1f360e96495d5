-- name: by_key
SELECT asked.number::integer, spindle.key, spindle.folded, spindle.fold, spindle.sequence, spindle.newest_fact,
       spindle.settled_at, spindle.settlements, spindle.next_look, spindle.told_health, spindle.untold,
       counter.reading, counter.read_at, counter.usual_pause, counter.heard_at
FROM unnest(:numbers::integer[], :keys::text[]) AS asked (number, key)
JOIN derived.spindle ON spindle.key = asked.key
JOIN derived.counter USING (subject)
WHERE :plants::text[] IS NULL OR spindle.plant = ANY (:plants::text[]);

-- name: by_place
-- What is installed at machine/position now. Two plants may have a machine of the same name.
SELECT asked.number::integer, spindle.key, spindle.folded, spindle.fold, spindle.sequence, spindle.newest_fact,
       spindle.settled_at, spindle.settlements, spindle.next_look, spindle.told_health, spindle.untold,
       counter.reading, counter.read_at, counter.usual_pause, counter.heard_at
FROM unnest(:numbers::integer[], :machines::text[], :positions::text[]) AS asked (number, machine, position)
JOIN derived.place ON place.machine = asked.machine AND place.position = asked.position AND place.removed IS NULL
JOIN derived.spindle ON spindle.subject = place.subject
JOIN derived.counter ON counter.subject = place.subject
WHERE :plants::text[] IS NULL OR spindle.plant = ANY (:plants::text[]);
