"""The desk: the whole job in a browser, served by this machine to itself alone.

serve      the program: socket, address, browser, end
app        the pages, as one ASGI application
guard      who may ask: host, origin, cookie, content policy
folder     jobs and cars as folders of files, the same that the commands read and write
car_pages  pages for a new car: files, roles and their candidates, limits
car_work   what a worker does for them
car_view   what they show, as plain values
names      names of files that are made here, never by a browser
upload     a capture on its way to the disk
checking   what is known of each job, renewed by worker processes
workers    the processes
work       what a worker does
view       what of a job is shown, as plain values
"""
