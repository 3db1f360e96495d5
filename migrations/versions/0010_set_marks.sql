-- What begins or ends the watch over a clamping set: commissioning, each rebuild, another sheet. Made with the state;
-- states of before are folded again (a newer fold), which writes theirs.
CREATE TABLE derived.set_mark (
    subject      integer     NOT NULL,
    sequence     bigint      NOT NULL,
    occurred     timestamptz NOT NULL,
    kind         text        NOT NULL,
    sheet        text        NOT NULL,                 -- from then on
    reason       text,                                 -- of a rebuild
    count        bigint      NOT NULL,                 -- the state's count then
    fitted_count bigint,                               -- by a baseline: when the set that was there had been fitted
    fitted_at    timestamptz,
    PRIMARY KEY (subject, sequence)
);
CREATE INDEX set_mark_of_sheet ON derived.set_mark (sheet);
