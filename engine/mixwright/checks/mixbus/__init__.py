"""Rules of step 2: a little EQ and glue on the whole mix."""
