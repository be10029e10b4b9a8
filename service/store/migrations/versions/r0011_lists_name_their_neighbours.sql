-- airside.find itself tells what corrects what, for a page at once.
DROP FUNCTION airside.neighbours_of(uuid, uuid);
