"""What a survey holds, before any plan: look at it, draw it, write it down. In: a job or a survey file. Out: papers.

``look`` reads and judges, ``looks_wrong`` finds what is probably not meant, ``summary`` is what a terminal shows,
``drawing`` the picture, ``tables`` the CSV files, ``new_job`` the job file to start from.
"""
