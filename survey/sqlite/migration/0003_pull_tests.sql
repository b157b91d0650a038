-- Few points have pull tests, and every answer asks for them all.
CREATE INDEX points_tested ON points (id) WHERE deleted = 0 AND json_array_length(body, '$.properties.pull_tests') > 0;
