"""The program around genetics and classifier: lists, records, answers, pages, commands."""
