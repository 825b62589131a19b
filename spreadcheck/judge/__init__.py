"""The judgement: one test assessed, how sure the answer is, driving errors, blends, and whole folders of tests."""
