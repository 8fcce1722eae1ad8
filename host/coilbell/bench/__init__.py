"""What is kept and shown: files, words, pictures, the bench log, reports, the live page."""
