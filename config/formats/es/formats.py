DATE_FORMAT = r"D j \d\e F"
TIME_FORMAT = "g:i a"
DATETIME_FORMAT = r"D j \d\e F, g:i a"
SHORT_DATE_FORMAT = "n/j/Y"
DATE_INPUT_FORMATS = ["%Y-%m-%d", "%m/%d/%Y", "%m/%d/%y"]
TIME_INPUT_FORMATS = ["%H:%M", "%H:%M:%S", "%I:%M %p", "%I:%M%p", "%I %p", "%I%p"]
