"""Rules of step 2: a little EQ and compressor on the whole mix."""
