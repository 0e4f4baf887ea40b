"""What is kept ready beside the records: candidates, assessments, piles, raters."""
