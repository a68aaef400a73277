package daysheet
